"""Labels of positions on A4 sheets, as SVG that needs nothing from anywhere: words, references, and a QR code."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape

import segno

from fleet.model.names import shown

COLUMNS: Final = 2
ROWS: Final = 5
WIDTH_MM: Final = 95
HEIGHT_MM: Final = 53
LEFT_MM: Final = 10
TOP_MM: Final = 16
QR_MM: Final = 32
PADDING_MM: Final = 4
WORDS_MM: Final = WIDTH_MM - QR_MM - 3 * PADDING_MM
QUIET_MODULES: Final = 4
"""Light modules around a QR code, which ISO/IEC 18004 asks for."""
SMALLEST_MM: Final = 2.4
"""Long text is set smaller down to this, and then cut."""
CHARACTER_EMS: Final = 0.56
"""Mean width of a character of a sans-serif font; what is wider all the same is clipped at the label's code."""
_HEAD: Final = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="210mm" height="297mm" viewBox="0 0 210 297"'
    ' font-family="Helvetica, Arial, sans-serif" fill="#000">'
)
_PAGE: Final = (
    "<!DOCTYPE html>\n"
    '<html lang="en"><head><meta charset="utf-8"><title>{title}</title>\n'
    "<style>@page {{ size: A4; margin: 0 }} body {{ margin: 0 }}"
    " svg {{ display: block; break-after: page }}</style></head><body>\n{pages}</body></html>\n"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """What stands on a label, top to bottom, and where its code leads."""

    position: str
    room: str
    device: str
    output: int
    serial: str
    life_safety: bool
    references: Sequence[tuple[str, str]]
    """Name and text of each reference that is given."""
    url: str


def sheets(labels: Sequence[Label]) -> list[str]:
    """The labels on A4 sheets, each an SVG document; cut along the thin lines."""
    most = COLUMNS * ROWS
    return [_sheet(labels[start : start + most]) for start in range(0, len(labels), most)]


def document(labels: Sequence[Label], title: str) -> str:
    """The same as one HTML document that prints a sheet a page."""
    return _PAGE.format(title=escape(shown(title)), pages="".join(sheets(labels)))


def _sheet(labels: Sequence[Label]) -> str:
    parts = []
    for number, label in enumerate(labels):
        row, column = divmod(number, COLUMNS)
        x, y = LEFT_MM + column * WIDTH_MM, TOP_MM + row * HEIGHT_MM
        parts.append(f'<g transform="translate({x} {y})">{"".join(_label(label))}</g>\n')
    return f"{_HEAD}\n{''.join(parts)}</svg>\n"


def _label(label: Label) -> Iterator[str]:
    yield f'<rect width="{WIDTH_MM}" height="{HEIGHT_MM}" fill="none" stroke="#bbb" stroke-width="0.1"/>'
    yield f'<svg x="{PADDING_MM}" y="0" width="{WORDS_MM}" height="{HEIGHT_MM}">'  # which clips what is too wide
    top = float(PADDING_MM)
    for text, wanted, weight in _words(label):
        size = max(SMALLEST_MM, min(wanted, WORDS_MM / (max(len(text), 1) * CHARACTER_EMS)))
        top += wanted * 1.25
        most = int(WORDS_MM / (size * CHARACTER_EMS))
        line = escape(shown(text, most))
        yield f'<text x="0" y="{top:.2f}" font-size="{size:.2f}" font-weight="{weight}">{line}</text>'
    yield "</svg>"
    yield qr_code(label.url, WIDTH_MM - PADDING_MM - QR_MM, (HEIGHT_MM - QR_MM) / 2)


def _words(label: Label) -> Iterator[tuple[str, float, str]]:
    """Lines of a label with their font size in mm and weight."""
    yield label.position, 5.0, "bold"
    yield label.room, 3.6, "normal"
    if label.life_safety:
        yield "LIFE SAFETY", 3.6, "bold"
    yield f"{label.device}{f', output {label.output}' if label.output > 1 else ''}", 3.6, "bold"
    if label.serial:
        yield f"serial {label.serial}", 3.0, "normal"
    for name, text in label.references:
        yield f"{name} {text}", 3.0, "normal"


def qr_code(text: str, x: float, y: float, size_mm: float = QR_MM) -> str:
    """A QR code as one path, a module a unit, with its quiet zone within `size_mm`."""
    code = segno.make_qr(text, error="m")
    dark = [
        f"M{column} {row}h1v1h-1z"
        for row, modules in enumerate(code.matrix, QUIET_MODULES)
        for column, module in enumerate(modules, QUIET_MODULES)
        if module
    ]
    side = len(code.matrix) + 2 * QUIET_MODULES
    return (
        f'<svg class="code" x="{x:g}" y="{y:g}" width="{size_mm:g}" height="{size_mm:g}" viewBox="0 0 {side} {side}"'
        f' shape-rendering="crispEdges"><path d="{"".join(dark)}"/></svg>'
    )
