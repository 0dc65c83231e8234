"""A room of two hundred positions: what needs a look is found at once, and the plan stays readable."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import expect

from tests.services.small_venue import box
from tests.web.browsing import PHONE, People, Person
from tests.web.one_for_all import browsers, no_barrier
from tests.web.page_scene import VENUE, Scene, a_scene

__all__ = ["browsers"]

LONG = "above-the-third-chandelier-from-the-north-west-door"
NAMES = [f"p-{n:03d}" if n % 7 else f"p-{n:03d}-{LONG}" for n in range(200)]
PLACES = [f"[{n // 20 * 3}, {n % 20 * 1.5 - 15}, 4]" for n in range(200)]
POSITIONS = "\n".join(
    f"  {name}: {{device: box-{n}, level_db: -10, at_m: {place}}}"
    for n, (name, place) in enumerate(zip(NAMES, PLACES, strict=True))
)
HALL = f"format: 1\nroom: ballroom\nname: Ballroom\nlisten_at_m: [12, 0, 1.2]\npositions:\n{POSITIONS}\n"
FILES = {"venue.yaml": VENUE, "rooms/ballroom.yaml": HALL}

UNREADABLE = """() => {
  const marks = [...document.querySelectorAll('.plan a')].map((link) => [link, link.querySelector('circle').getBoundingClientRect()]);
  const over = (a, b) => a.left < b.right - 3 && b.left < a.right - 3 && a.top < b.bottom - 3 && b.top < a.bottom - 3;
  return [...document.querySelectorAll('.plan .name')]
    .filter((name) => marks.some(([link, mark]) => link !== name.closest('a') && over(name.getBoundingClientRect(), mark)))
    .map((name) => name.textContent);
}"""  # noqa: E501  # JavaScript
"""Names on the plan that a mark lies on."""


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    with a_scene(tmp_path_factory.mktemp("many") / "home", FILES, [box(f"box-{n}") for n in range(200)]) as found:
        yield found


@pytest.fixture(scope="module")
def operator(scene: Scene, browsers: People) -> Person:
    return browsers.person(scene.url, viewport=PHONE).sign_in(scene.tokens["operator"])


def test_what_is_right_is_folded_away_and_what_is_not_stands_first(scene: Scene, operator: Person) -> None:
    scene.turned("box-7", -20.0)
    one = operator.open("/rooms/ballroom")
    expect(one.position(NAMES[7])).to_be_visible()
    folded = one.page.get_by_text("199 positions are as they should be")
    expect(one.position(NAMES[8])).to_be_hidden()
    no_barrier(one, "many positions")
    folded.click()
    expect(one.position(NAMES[8])).to_be_visible()
    scene.turned("box-9", -20.0)
    expect(one.position(NAMES[9]).locator(".mark")).to_have_attribute("data-state", "serious")
    expect(one.position(NAMES[8])).to_be_visible()  # what was opened stays open


def test_a_plan_of_many_that_need_a_look_covers_no_name_with_a_mark(scene: Scene, operator: Person) -> None:
    for n in range(0, 200, 2):
        scene.turned(f"box-{n}", -20.0)
    one = operator.open("/rooms/ballroom")
    expect(one.page.locator(".plan a[data-state='serious']").nth(99)).to_be_visible()
    assert one.page.evaluate(UNREADABLE) == []
    one.sees("There is not room here for every label; the list has them all.")


def test_a_long_name_leaves_no_hole_beside_it(scene: Scene, operator: Person) -> None:
    scene.turned("box-7", -20.0)
    row = operator.open("/rooms/ballroom").position(NAMES[7])
    mark, why = row.locator(".mark").bounding_box(), row.locator(".why").bounding_box()
    assert mark is not None
    assert why is not None
    assert why["y"] - (mark["y"] + mark["height"]) < 16
