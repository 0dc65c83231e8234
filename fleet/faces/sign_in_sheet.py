"""The sheet that signs a wall tablet or a phone in: A6, as HTML that needs nothing from anywhere, with a QR code.

Whoever has the sheet has the token: it is as good as a key to the rooms that it names.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape

from fleet.faces.labels import CHARACTER_EMS, SMALLEST_MM, qr_code
from fleet.model.names import shown

WIDTH_MM: Final = 105
HEIGHT_MM: Final = 148
MARGIN_MM: Final = 9
QR_MM: Final = 74
WORDS_MM: Final = WIDTH_MM - 2 * MARGIN_MM
_PAGE: Final = (
    "<!DOCTYPE html>\n"
    '<html lang="en"><head><meta charset="utf-8"><meta name="referrer" content="no-referrer"><title>{title}</title>\n'
    "<style>@page {{ size: A6; margin: 0 }} body {{ margin: 0 }} svg {{ display: block }}</style></head><body>\n"
    f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM}mm" height="{HEIGHT_MM}mm"'
    f' viewBox="0 0 {WIDTH_MM} {HEIGHT_MM}" font-family="Helvetica, Arial, sans-serif" fill="#000">\n'
    "{content}</svg>\n</body></html>\n"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignInSheet:
    """Whose sheet it is, what it opens, until when, and how it is taken back. `url` is that of the page."""

    name: str
    rooms: Sequence[str]
    expires: str
    id: str
    url: str


def sheet(of: SignInSheet, secret: str) -> str:
    """The sheet. The secret is in its code alone, in the part of an address that no browser sends to a server."""
    code = qr_code(f"{of.url.rstrip('/')}/sign-in#{secret}", (WIDTH_MM - QR_MM) / 2, 37, QR_MM)
    return _PAGE.format(title=escape(shown(of.name)), content="".join([*_lines(of), code]))


def _lines(of: SignInSheet) -> Iterator[str]:
    yield _line(of.name, 16, 7, "bold")
    yield _line(f"for {', '.join(of.rooms)}", 25, 4.4)
    yield _line("Point the camera of the tablet or phone at this code to sign in.", 33, 3.4)
    yield _line(f"Good until {of.expires}. Whoever has this sheet can use it: do not photograph it.", 121, 3)
    yield _line("Lost it? An integrator takes it back:", 128, 3)
    yield _line(f"fleet access revoke {of.id}", 133, 3.4, "bold")
    yield _line(of.url, 140, 3)


def _line(text: str, y_mm: float, wanted_mm: float, weight: str = "normal") -> str:
    """A line that is set smaller where it is long, and then cut."""
    size_mm = max(SMALLEST_MM, min(wanted_mm, WORDS_MM / (max(len(text), 1) * CHARACTER_EMS)))
    words = escape(shown(text, int(WORDS_MM / (size_mm * CHARACTER_EMS))))
    return f'<text x="{MARGIN_MM}" y="{y_mm}" font-size="{size_mm:.2f}" font-weight="{weight}">{words}</text>\n'
