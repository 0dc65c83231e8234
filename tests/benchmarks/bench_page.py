"""How soon a room's page is there: `python -m tests.benchmarks.bench_page [POSITIONS ...]`.

A daemon over devices in memory and a headless Chromium on one machine, so that both share its cores. "first paint" is
the browser's own first-contentful-paint; "interactive" is when the room is drawn and its button can be pressed, both
from the start of the navigation, already signed in. A visit is "cold" with an empty cache, "warm" with the files there.
Figures depend on the machine and the load.
"""

from __future__ import annotations

import math
import statistics
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser

from tests.services.small_venue import box
from tests.web.browsing import a_browser
from tests.web.page_scene import VENUE, Scene, a_scene

VISITS = 7
PAINT = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? 0"
INTERACTIVE = """() => new Promise(resolve => {
  const look = () => {
    const button = document.querySelector('button.big');
    const there = document.querySelector('svg.plan') && button?.getAttribute('aria-disabled') === 'false';
    if (there) requestAnimationFrame(() => resolve(performance.now()));
    else requestAnimationFrame(look);
  };
  look();
})"""


def hall(positions: int) -> str:
    """A room with so many positions in rows, a metre and a half apart."""
    row = math.ceil(math.sqrt(positions))
    lines = [
        f"  p-{n:03d}: {{device: box-{n}, at_m: [{1.5 * (n // row)}, {1.5 * (n % row)}, 3]}}" for n in range(positions)
    ]
    head = "format: 1\nroom: hall\nname: Hall\nlisten_at_m: [4, 4, 1.2]\ncurves: {plain: []}\n"
    head += "house_curve: {curve: plain, slot: 5}\ndefaults: {mute: false, level_db: {between: [-20, 0]}}\n"
    return head + "positions:\n" + "\n".join(lines) + "\n"


def visits(scene: Scene, browser: Browser, *, warm: bool) -> list[tuple[float, float]]:
    """First paint and interactive of each visit, in ms."""
    found = []
    context = browser.new_context(viewport={"width": 1024, "height": 768})
    page = context.new_page()
    page.goto(f"{scene.url}/sign-in#{scene.tokens['operator']}")
    page.wait_for_selector(".rooms")
    for _ in range(VISITS):
        if not warm:
            context.new_cdp_session(page).send("Network.clearBrowserCache")
        page.goto("about:blank")
        page.goto(f"{scene.url}/rooms/hall", wait_until="commit")
        interactive_ms = page.evaluate(INTERACTIVE)
        found.append((float(page.evaluate(PAINT)), float(interactive_ms)))
    context.close()
    return found


def main(sizes: list[int]) -> None:
    """Print the table."""
    print(f"{'positions':>9}  {'visit':5}  {'first paint ms':>14}  {'interactive ms':>14}   (median of {VISITS}, most)")
    with a_browser() as browser:
        for size in sizes:
            devices = [box(f"box-{n}") for n in range(size)]
            files = {"venue.yaml": VENUE, "rooms/hall.yaml": hall(size)}
            with tempfile.TemporaryDirectory() as folder, a_scene(Path(folder) / "home", files, devices) as scene:
                for warm in (False, True):
                    paints, interactives = zip(*visits(scene, browser, warm=warm), strict=True)
                    shown = [f"{statistics.median(x):5.0f}, {max(x):5.0f}" for x in (paints, interactives)]
                    print(f"{size:>9}  {'warm' if warm else 'cold':5}  {shown[0]:>14}  {shown[1]:>14}")


if __name__ == "__main__":
    main([int(one) for one in sys.argv[1:]] or [10, 200])
