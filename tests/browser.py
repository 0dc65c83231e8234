"""A browser for tests of pages: headless Chromium, with no network."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, sync_playwright

WORDS = ("--no-sandbox", "--disable-dev-shm-usage")
"""Chromium as root, and in a container, where /dev/shm is small."""


@contextmanager
def offline_page() -> Iterator[tuple[Page, list[str]]]:
    """A page of a browser that reaches no network, and what went wrong in it: console errors and foreign requests.

    Skips or fails where Chromium is not installed.
    """
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=_chromium_or_skip(), args=list(WORDS))
        try:
            page = browser.new_context(offline=True).new_page()
            wrong: list[str] = []
            page.on("console", lambda said: wrong.append(f"console {said.type}: {said.text}"))
            page.on("pageerror", lambda error: wrong.append(f"error: {error}"))
            page.on(
                "request", lambda r: None if r.url.startswith(("file:", "data:")) else wrong.append(f"asks {r.url}")
            )
            yield page, wrong
        finally:
            browser.close()


def axe_violations(page: Page) -> list[str]:
    """What axe finds wrong with a page for people who do not see it as others do."""
    return [f"{v['id']}: {v['help']}: {v['nodes'][0]['html'][:200]}" for v in Axe().run(page).response["violations"]]


def _chromium_or_skip() -> str:
    program = shutil.which("chromium")
    if program is None or not Path(program).exists():
        if os.environ.get("FLEET_TEST_ALL") == "1":
            pytest.fail("FLEET_TEST_ALL=1, but chromium is not installed")
        pytest.skip("chromium is not installed")
    return program
