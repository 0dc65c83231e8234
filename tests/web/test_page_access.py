"""Access and audit on the page: who may do what, revoking, and the log, followed from end to end."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from fleet.model.access import Role
from fleet.services.access import AskedToken
from tests.web.browsing import People, Person
from tests.web.one_for_all import auditor, browsers, integrator, no_barrier, scene
from tests.web.page_scene import Scene

__all__ = ["auditor", "browsers", "integrator", "scene"]

CODE = "<img src=x onerror=alert(1)>"


def made(scene: Scene, name: str, role: Role = "auditor") -> str:
    return scene.daemon.do(scene.daemon.services.access.make(AskedToken(name=name, role=role), "ines"))[1]


def test_it_says_who_may_do_what(scene: Scene, integrator: Person) -> None:
    made(scene, CODE)
    one = integrator.open("/access")
    there = one.page.get_by_role("row", name=re.compile("operator one"))
    for words in ("operator", "foyer, weir-hall", "good", "2031-05-17 14:00 by ines", "2032-05-16 14:00", "never"):
        expect(there).to_contain_text(words)
    one.sees(CODE)
    assert one.page.evaluate("document.querySelectorAll('main img').length") == 0
    no_barrier(one, "access")
    for token in scene.tokens.values():
        assert token not in one.page.content()


def test_a_token_that_is_revoked_signs_its_browser_out(scene: Scene, integrator: Person, browsers: People) -> None:
    other = browsers.person(scene.url).sign_in(made(scene, "lost phone")).open("/access")
    one = integrator.open("/access")
    one.button("Revoke the token of lost phone").click()
    dialog = one.page.get_by_role("dialog", name="Revoke this token?")
    expect(dialog).to_contain_text("lost phone, auditor")
    expect(dialog).to_contain_text("It cannot be taken back")
    no_barrier(one, "revoking")
    one.button("No, leave it").click()
    expect(one.button("Revoke the token of lost phone")).to_be_focused()
    one.button("Revoke the token of lost phone").click()
    one.button("Yes, revoke it").click()
    there = one.page.get_by_role("row", name=re.compile("lost phone")).first
    expect(there).to_contain_text("revoked")
    expect(there).to_contain_text("by integrator one")
    expect(one.button("Revoke the token of lost phone")).to_have_count(0)
    other.page.get_by_role("link", name="Devices").click()
    expect(other.page.get_by_label("Token")).to_be_visible()


def test_who_is_signed_in_is_shown_and_signed_out_everywhere(
    scene: Scene, integrator: Person, browsers: People
) -> None:
    secret = made(scene, "shared tablet")
    others = [browsers.person(scene.url).sign_in(secret).open("/access") for _ in range(2)]
    one = integrator.open("/access")
    there = one.page.get_by_role("table", name=re.compile("Browsers that are signed in"))
    row = there.get_by_role("row", name=re.compile("shared tablet"))
    expect(row.get_by_text("127.0.0.1")).to_have_count(2)
    expect(there.get_by_role("row", name=re.compile("integrator one"))).to_contain_text("this browser")
    no_barrier(one, "who is signed in")
    one.button("Sign out shared tablet everywhere").click()
    dialog = one.page.get_by_role("dialog", name="Sign out everywhere?")
    expect(dialog).to_contain_text("The token stays good")
    one.button("Yes, sign out").click()
    expect(row).to_have_count(0)
    for other in others:
        expect(other.page.get_by_label("Token")).to_be_visible()
    again = browsers.person(scene.url).sign_in(secret).open("/access")
    one.open("/access")
    one.button("Sign everybody else out").click()
    one.button("Yes, sign them out").click()
    expect(one.button("Sign everybody else out")).to_be_hidden()
    expect(again.page.get_by_label("Token")).to_be_visible()
    one.open("/rooms")


def test_it_says_how_a_token_is_made(scene: Scene, integrator: Person) -> None:
    one = integrator.open("/access")
    one.page.get_by_text("How a token is made").click()
    for words in ("access make NAME --role ROLE", "access tablet NAME --rooms ROOM --url", "daemon --bind ADDRESS"):
        one.sees(f"fleet {words}")
    no_barrier(one, "how a token is made")


def test_the_log_says_who_did_what_and_grows_by_pages(scene: Scene, integrator: Person) -> None:
    audit = scene.daemon.services.audit
    one = integrator.open("/snapshots")
    one.button("Take a snapshot").click()
    expect(one.page).to_have_url(re.compile("/snapshots/s-"))
    one.page.get_by_role("link", name="The audit log").click()
    log = one.page.get_by_role("table", name=re.compile("^Audit log"))
    there = log.get_by_role("row", name=re.compile("took a snapshot")).first
    for words in ("integrator one", "integrator from 127.0.0.1", "done"):
        expect(there).to_contain_text(words)

    async def many() -> None:
        (entry, *_) = await audit.entries(1)
        from fleet.model.audit import Act

        for number in range(60):
            await audit.record(Act(who="many", role=entry.role, what=f"act {number}", source="a test", result="done"))

    scene.daemon.do(many())
    one.open("/access?who=many")
    log = one.page.get_by_role("table", name=re.compile("^Audit log"))
    expect(log.locator("tbody tr")).to_have_count(50)
    one.button("Show more").click()
    expect(log.locator("tbody tr")).to_have_count(60)
    expect(log.locator("tbody tr").first).to_contain_text("act 59")
    expect(log.locator("tbody tr").last).to_contain_text("act 0")
    expect(one.button("Show more")).to_have_count(0)
    no_barrier(one, "the log")


def test_the_log_is_followed_and_its_head_shown(scene: Scene, auditor: Person) -> None:
    one = auditor.open("/access")
    one.button("Follow the whole log").click()
    head = scene.daemon.do(scene.daemon.services.audit.head())
    one.sees("The log is whole:")
    one.sees(f"{head.length}:{head.sha256}")


def test_an_auditor_reads_and_revokes_nothing(scene: Scene, auditor: Person, browsers: People) -> None:
    auditor.open("/access")
    expect(auditor.page.get_by_role("row", name=re.compile("operator one"))).to_be_visible()
    expect(auditor.page.get_by_role("button", name=re.compile("Revoke"))).to_have_count(0)
    no_barrier(auditor, "access of an auditor")
    operator = browsers.person(scene.url).sign_in(scene.tokens["operator"]).open("/access")
    operator.sees("This page is not for the role operator.")


@pytest.mark.parametrize("who", ["auditor one", "nobody of this name"])
def test_the_log_is_filtered_by_who(scene: Scene, integrator: Person, who: str) -> None:
    one = integrator.open("/access")
    one.page.get_by_label("Who", exact=True).fill(who)
    one.page.get_by_role("search").get_by_role("button", name="Show").click()
    expect(one.page).to_have_url(re.compile(r"\?who="))
    log = one.page.locator("#audit tbody tr")
    if who == "auditor one":
        expect(log.first).to_contain_text(who)
        assert all(who in text for text in log.all_inner_texts())
    else:
        one.sees("Nothing was written down yet.")
