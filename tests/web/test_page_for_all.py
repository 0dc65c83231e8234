"""The page for everybody: no barrier that axe finds, on the narrowest phone, in both themes, whatever names say."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.services.small_venue import box
from tests.web.browsing import NARROW, PHONE, People, Theme
from tests.web.page_scene import BOXES, FILES, HALL, Scene, a_scene

THEMES: tuple[Theme, ...] = ("light", "dark")
CODE = "<script>document.title='owned'</script><img src=x onerror=alert(1)>"
TURNED = "Hall \u202e llaH \u2066\u200f"


@pytest.mark.parametrize("theme", THEMES)
def test_no_page_of_an_operator_has_a_barrier(scene: Scene, browsers: People, theme: Theme) -> None:
    scene.turned("box-1", -1.0)
    scene.dies("box-5")
    one = browsers.person(scene.url, viewport=PHONE, theme=theme).open("/")
    assert one.axe() == [], "signing in"
    one.sign_in(scene.tokens["operator"])
    expect(one.page.locator(".rooms li")).to_have_count(2)
    assert one.axe() == [], "rooms"
    one.open("/rooms/weir-hall")
    expect(one.page.locator("svg.plan")).to_be_visible()
    assert one.axe() == [], "a room"
    one.button("Recall the house curve").click()
    expect(one.button("Yes, recall")).to_be_visible()
    assert one.axe() == [], "the question"
    one.button("Try it for 2 minutes").click()
    expect(one.page.get_by_role("timer")).to_be_visible()
    assert one.axe() == [], "a trial"
    one.button("Keep it").click()
    expect(one.button("Close this")).to_be_visible()
    assert one.axe() == [], "a result"
    one.open("/nothing")
    assert one.axe() == [], "no such page"


@pytest.mark.parametrize("theme", THEMES)
def test_no_page_of_a_room_has_a_barrier_for_an_integrator(scene: Scene, browsers: People, theme: Theme) -> None:
    scene.turned("box-1", -16.0)
    one = browsers.person(scene.url, theme=theme).sign_in(scene.tokens["integrator"])
    expect(one.page.locator(".rooms li")).to_have_count(2)
    assert one.axe() == [], "rooms"
    one.open("/rooms/weir-hall")
    expect(one.position("main-left").locator(".mark")).to_have_attribute("data-state", "serious")
    assert one.axe() == [], "a room"


def test_the_narrowest_phone_scrolls_one_way_only(scene: Scene, browsers: People) -> None:
    one = browsers.person(scene.url, viewport=NARROW).sign_in(scene.tokens["integrator"])
    assert one.overflow() == 0, "rooms"
    for path in ("/rooms/weir-hall", "/rooms/foyer", "/nothing"):
        one.open(path)
        assert one.overflow() == 0, path


def test_everything_to_press_is_large_enough_for_a_thumb(scene: Scene, browsers: People) -> None:
    """WCAG 2.2, 2.5.5: 44 by 44 CSS pixels; links inside of a sentence are exempt."""
    one = browsers.person(scene.url, viewport=PHONE).sign_in(scene.tokens["operator"]).open("/rooms/weir-hall")
    small = one.page.evaluate(
        """() => [...document.querySelectorAll('button, select, input, .list a, .trail a, .top a')]
            .filter(node => node.checkVisibility())
            .map(node => [node.textContent.trim(), node.getBoundingClientRect()])
            .filter(([, box]) => box.height < 43.9)
            .map(([text, box]) => `${text}: ${box.height}`)"""
    )
    assert small == []


def test_a_theme_that_was_chosen_stays(scene: Scene, browsers: People) -> None:
    one = browsers.person(scene.url, theme="light").sign_in(scene.tokens["operator"])
    paper = "getComputedStyle(document.documentElement).backgroundColor"
    light = one.page.evaluate(paper)
    one.page.get_by_label("Light or dark").select_option("dark")
    assert one.page.evaluate(paper) != light
    one.open("/rooms/foyer")
    assert one.page.evaluate(paper) != light
    one.page.get_by_label("Light or dark").select_option("system")
    assert one.page.evaluate(paper) == light


def test_names_of_others_are_text_and_stay_in_their_place(tmp_path: Path, browsers: People) -> None:
    hall = HALL.replace("name: Weir Hall", f"name: {CODE!r}".replace("'owned'", "\\owned\\").replace("\\", "''"))
    hall = hall.replace("name: Speech", f'name: "{TURNED}"')
    long_input = "x" * 10_000
    devices = [box(name, inputs=["network", CODE, long_input]) for name in BOXES]
    with a_scene(tmp_path / "home", {**FILES, "rooms/weir-hall.yaml": hall}, devices) as scene:
        services = scene.daemon.services
        scene.daemon.do(services.holds.hold("weir-hall", "2h", CODE, TURNED))
        one = browsers.person(scene.url, viewport=NARROW).sign_in(scene.tokens["integrator"])
        expect(one.page.locator(".room-name").last).to_contain_text("<script>")
        assert one.overflow() == 0
        one.open("/rooms/weir-hall")
        expect(one.page.get_by_role("heading", level=1)).to_contain_text("<script>document.title=")
        assert "\u202e" not in one.page.content(), "marks that turn text around are shown, not obeyed"
        assert one.page.title() != "owned"
        assert one.page.evaluate("document.querySelectorAll('main script, main img').length") == 0
        assert one.overflow() == 0
        assert one.axe() == []


LABELS = """async count => {
  const { placeLabels } = await import('/web/room/labels.js');
  let seed = 7;
  const random = () => (seed = (seed * 16807) % 2147483647) / 2147483647;
  const labels = Array.from({ length: count }, (_, i) => ({
    x: 50 + random() * 700, y: 50 + random() * 700, name: `p-${i}`, width: 80, height: 34, first: i % 3 }));
  const { placed, unnamed } = placeLabels(labels, { width: 800, height: 800 });
  const shown = placed.filter(one => one.shown);
  const over = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;
  let overlaps = 0;
  shown.forEach((one, i) => shown.slice(i + 1).forEach(other => { if (over(one.box, other.box)) overlaps += 1; }));
  const outside = shown.filter(({ box }) => box.left < 0 || box.top < 0 || box.right > 800 || box.bottom > 800).length;
  const first = placed.filter(one => !one.shown).map(one => one.first);
  return { shown: shown.length, unnamed, overlaps, outside, hidden_of_the_first: first.filter(f => f === 0).length };
}"""


@pytest.mark.parametrize("count", [1, 20, 200])
def test_labels_never_lie_on_each_other(scene: Scene, browsers: People, count: int) -> None:
    one = browsers.person(scene.url).open("/")
    found = one.page.evaluate(LABELS, count)
    assert (found["overlaps"], found["outside"]) == (0, 0)
    assert found["shown"] + found["unnamed"] == count
    assert found["shown"] >= min(count, 20) * 0.9
