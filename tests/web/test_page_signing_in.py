"""Signing in to the page, by a code and by hand, and out again."""

from __future__ import annotations

from playwright.sync_api import expect

from tests.web.browsing import PHONE, People
from tests.web.page_scene import Scene


def test_a_code_signs_in_and_its_token_leaves_the_address_at_once(scene: Scene, browsers: People) -> None:
    one = browsers.person(scene.url, viewport=PHONE)
    asked: list[str] = []
    one.page.on("request", lambda request: asked.append(request.url))
    one.page.on("framenavigated", lambda frame: asked.append(frame.url))
    one.sign_in(scene.tokens["operator"])
    expect(one.page.get_by_role("heading", name="Rooms")).to_be_visible()
    assert one.page.url == f"{scene.url}/rooms"
    one.sees("operator one")
    assert [url for url in asked[1:] if "fleet_" in url and "/sign-in#" not in url] == []
    assert one.page.evaluate("document.cookie") == "", "the cookie is not for scripts"
    one.page.go_back()
    assert "fleet_" not in one.page.url, "nor is it in the browser's history"


def test_a_token_is_typed_and_what_was_asked_for_is_shown(scene: Scene, browsers: People) -> None:
    one = browsers.person(scene.url).open("/rooms/foyer")
    expect(one.page.get_by_role("heading", name="Sign in")).to_be_visible()
    one.page.get_by_label("Token").fill(scene.tokens["operator"])
    one.page.keyboard.press("Enter")
    expect(one.page.get_by_role("heading", name="Foyer")).to_be_visible()
    assert one.page.url == f"{scene.url}/rooms/foyer"


def test_a_wrong_token_and_none_are_told_plainly(scene: Scene, browsers: People) -> None:
    one = browsers.person(scene.url).open("/")
    one.button("Sign in").click()
    expect(one.page.get_by_role("alert")).to_have_text("Type the token, or scan the code on your card.")
    one.page.get_by_label("Token").fill("fleet_nothing-of-ours")
    one.button("Sign in").click()
    expect(one.page.get_by_role("alert")).to_contain_text("is unknown here, has expired, or was revoked")
    expect(one.page.get_by_label("Token")).to_be_focused()
    for before in ("about:blank", f"{scene.url}/sign-in"):
        one.page.goto(before)
        one.page.goto(f"{scene.url}/sign-in#fleet_nothing-of-ours-either")
        expect(one.page.locator("#sign-in-said")).to_contain_text("is unknown here, has expired, or was revoked")
        assert one.page.url == f"{scene.url}/sign-in"
        one.page.wait_for_load_state("networkidle")
        expect(one.page.locator("#sign-in-said")).to_contain_text("is unknown here")


def test_signing_out_ends_the_session(scene: Scene, browsers: People) -> None:
    one = browsers.person(scene.url).sign_in(scene.tokens["operator"])
    one.button("Sign out").click()
    one.sees("You are signed out.")
    one.open("/rooms")
    expect(one.page.get_by_role("heading", name="Sign in")).to_be_visible()


def test_a_revoked_token_signs_out_whoever_came_by_it(scene: Scene, browsers: People) -> None:
    one = browsers.person(scene.url).sign_in(scene.tokens["operator"])
    access = scene.daemon.services.access
    token = next(t for t in scene.daemon.do(access.tokens()) if t.name == "operator one")
    scene.daemon.do(access.revoke(token.id, "ines"))
    one.page.get_by_role("link", name="Foyer").click()
    one.sees("You were signed out: your sign-in ended, or was taken back.")


def test_each_role_sees_its_own_pages(scene: Scene, browsers: People) -> None:
    operator = browsers.person(scene.url).sign_in(scene.tokens["operator"])
    expect(operator.page.get_by_role("navigation")).to_have_count(0)
    operator.open("/differences").sees("This page is not for the role operator.")
    auditor = browsers.person(scene.url).sign_in(scene.tokens["auditor"])
    expect(auditor.page.get_by_role("navigation").get_by_role("link", name="Walk test")).to_have_count(0)
    auditor.open("/rooms/weir-hall")
    expect(auditor.button("Recall the house curve")).to_have_count(0)
    integrator = browsers.person(scene.url).sign_in(scene.tokens["integrator"])
    for name in ("Rooms", "Differences", "Walk test", "Devices", "Changes", "Snapshots"):
        expect(integrator.page.get_by_role("navigation").get_by_role("link", name=name)).to_be_visible()
    integrator.open("/nothing/here").sees("There is no such page.")
