"""One scene and one browser for all tests of a module: they are quick, and each sets what it needs before it looks."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.web.browsing import NARROW, People, Person, people
from tests.web.page_scene import Scene, a_scene


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    with a_scene(tmp_path_factory.mktemp("scene") / "home") as found:
        yield found


@pytest.fixture(scope="module")
def browsers(browser: Browser) -> Iterator[People]:
    with people(browser) as found:
        yield found


@pytest.fixture(scope="module")
def integrator(scene: Scene, browsers: People) -> Person:
    return browsers.person(scene.url).sign_in(scene.tokens["integrator"])


@pytest.fixture(scope="module")
def auditor(scene: Scene, browsers: People) -> Person:
    return browsers.person(scene.url).sign_in(scene.tokens["auditor"])


def no_barrier(person: Person, what: str) -> None:
    """Nothing that axe finds, in both themes; on the narrowest phone one direction to scroll, and room for a thumb."""
    found = []
    for theme in ("light", "dark"):
        person.page.emulate_media(color_scheme=theme, reduced_motion="reduce")  # type: ignore[arg-type]  # of both
        found += [f"{what}, {theme}: {one}" for one in person.axe()]
    size = person.page.viewport_size
    assert size is not None
    person.page.set_viewport_size(NARROW)
    found += [f"{what}, narrow: {one}" for one in (*small_targets(person), *person.axe())]
    found += [f"{what}: {person.overflow()} px too wide"] if person.overflow() else []
    person.page.set_viewport_size(size)
    person.page.emulate_media(color_scheme="light", reduced_motion="no-preference")
    assert found == [], "\n".join(found)


def small_targets(person: Person) -> list[str]:
    """What is too small for a thumb: 44 px (WCAG 2.2, 2.5.5); links inside of sentences are exempt."""
    found: list[str] = person.page.evaluate(
        """() => [...document.querySelectorAll(
                'main button, main select, main input, main summary, main .button, main table a')]
            .filter(node => node.checkVisibility())
            .map(node => [node, (node.closest('label') ?? node).getBoundingClientRect()])
            .filter(([, box]) => box.height < 43.9)
            .map(([node, box]) => `${node.tagName} ${node.textContent.trim()} ${node.id}: ${box.height}`)"""
    )
    return found
