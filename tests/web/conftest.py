"""One scene for each test of the page, and one browser for all tests of a module."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.web.browsing import People, a_browser, people
from tests.web.page_scene import Prepared, Scene


@pytest.fixture(scope="session")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    return Prepared.in_folder(tmp_path_factory.mktemp("prepared") / "home")


@pytest.fixture
def scene(prepared: Prepared, tmp_path: Path) -> Iterator[Scene]:
    with prepared.scene(tmp_path / "home") as found:
        yield found


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with a_browser() as found:
        yield found


@pytest.fixture
def browsers(browser: Browser) -> Iterator[People]:
    with people(browser) as found:
        yield found
