"""Times on the page: on the venue's clock, wherever the browser is; where no venue is loaded in UTC, which is said."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser

from tests.web.page_scene import Scene

NOW = "2031-05-17T12:00:00Z"
SAID = [
    (f"clock('{NOW}', 'Asia/Kathmandu', now)", "17:45"),
    ("clock('2031-05-16T20:00:00Z', 'Asia/Kathmandu', now)", "01:45"),
    ("clock('2031-05-17T20:00:00Z', 'Asia/Kathmandu', now)", "2031-05-18 01:45"),
    ("clock('2030-10-27T00:30:00Z', 'Europe/Berlin', now)", "2030-10-27 02:30 CEST"),
    ("clock('2030-10-27T01:30:00Z', 'Europe/Berlin', now)", "2030-10-27 02:30 CET"),
    ("clock('2030-10-27T02:30:00Z', 'Europe/Berlin', now)", "2030-10-27 03:30"),
    (f"clock('{NOW}', '', now)", "12:00 UTC"),
    ("clock('soon', 'Asia/Kathmandu', now)", ""),
    ("dayOf('2031-05-17T20:00:00Z', 'Asia/Kathmandu')", "2031-05-18"),
    (f"timeOfDay('{NOW}', 'Asia/Kathmandu')", "17:45:00"),
    ("timeOfDay('2031-05-17T12:00:00.250Z', 'Asia/Kathmandu', 1)", "17:45:00.2"),
]


@pytest.mark.parametrize("elsewhere", ["America/St_Johns", "Pacific/Auckland"])
def test_times_are_those_of_the_venues_clock_wherever_the_browser_is(
    scene: Scene, browser: Browser, elsewhere: str
) -> None:
    context = browser.new_context(timezone_id=elsewhere)
    page = context.new_page()
    page.goto(f"{scene.url}/sign-in")
    calls = ", ".join(call for call, _ in SAID)
    said = page.evaluate(
        f"import('/web/words/clock.js').then(({{ clock, dayOf, timeOfDay }}) => {{ "
        f"const now = new Date('{NOW}'); return [{calls}]; }})"
    )
    context.close()
    assert dict(zip([call for call, _ in SAID], said, strict=True)) == dict(SAID)
