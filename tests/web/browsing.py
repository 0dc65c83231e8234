"""People at browsers: each signed in by a role's token, watched for everything that a page must not do."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Literal

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Locator, Page, ViewportSize, expect, sync_playwright

from tests.browser import WORDS, _chromium_or_skip

Theme = Literal["light", "dark"]
PHONE: ViewportSize = {"width": 390, "height": 844}
TABLET: ViewportSize = {"width": 1024, "height": 768}
NARROW: ViewportSize = {"width": 320, "height": 640}
WAIT_MS = 20_000
"""So that a failure ends; nothing waits so long that works."""

expect.set_options(timeout=WAIT_MS)


@dataclass
class Person:
    """One at a browser. `wrong` is what the page did that it must not do: errors, foreign requests, broken policy."""

    page: Page
    url: str
    wrong: list[str] = field(default_factory=list)

    def sign_in(self, token: str) -> Person:
        """By a code, as a phone's camera opens it."""
        self.page.goto(f"{self.url}/sign-in#{token}")
        expect(self.page.locator("body[data-role] h1")).to_be_visible()
        return self

    def open(self, path: str) -> Person:
        self.page.goto(f"{self.url}{path}")
        expect(self.page.locator("h1")).to_be_visible()
        return self

    def button(self, name: str, *, exact: bool = True) -> Locator:
        return self.page.get_by_role("button", name=name, exact=exact)

    def sees(self, words: str) -> None:
        expect(self.page.get_by_text(words).first).to_be_visible()

    def position(self, name: str) -> Locator:
        """The row of a position in the list."""
        return self.page.locator(f"#positions li[data-position='{name}']")

    def axe(self) -> list[str]:
        found = Axe().run(self.page).response["violations"]
        return [f"{v['id']}: {v['help']}: {v['nodes'][0]['html'][:200]}" for v in found]

    def overflow(self) -> int:
        """By how many pixels the page is wider than its window."""
        width = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        return int(self.page.evaluate(width))


class People:
    """Opens browsers at one address; what any of them did wrong fails the test at the end."""

    def __init__(self, browser: Browser) -> None:
        self._browser = browser
        self._people: list[Person] = []

    def person(self, url: str, *, viewport: ViewportSize = TABLET, theme: Theme = "light") -> Person:
        context = self._browser.new_context(viewport=viewport, color_scheme=theme)
        context.set_default_timeout(WAIT_MS)
        person = Person(context.new_page(), url)
        _watch(context, person)
        self._people.append(person)
        return person

    def wrong(self) -> list[str]:
        return [one for person in self._people for one in person.wrong]


@contextmanager
def a_browser() -> Iterator[Browser]:
    """A browser. Skips or fails where Chromium is not installed."""
    program = _chromium_or_skip()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=list(WORDS))
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def people(browser: Browser) -> Iterator[People]:
    """Several people, each with cookies of their own."""
    found = People(browser)
    try:
        yield found
        assert found.wrong() == []
    finally:
        for context in list(browser.contexts):
            context.close()


def _watch(context: BrowserContext, person: Person) -> None:
    page = person.page
    context.add_init_script(
        "document.addEventListener('securitypolicyviolation', e =>"
        " console.error(`policy: ${e.violatedDirective} ${e.blockedURI}`));"
    )

    def said(message: object) -> None:
        kind, text = getattr(message, "type", ""), getattr(message, "text", "")
        if kind in {"error", "warning"} and not text.startswith("Failed to load resource"):
            person.wrong.append(f"console {kind}: {text}")

    page.on("console", said)
    page.on("pageerror", lambda error: person.wrong.append(f"error: {error}"))
    page.on("request", lambda r: None if r.url.startswith(person.url) else person.wrong.append(f"asks {r.url}"))
