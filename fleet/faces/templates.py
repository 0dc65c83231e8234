"""Templates of HTML documents: every text in them is bounded and escaped, wherever it came from."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from fleet.model.names import shown

LONGEST: Final = 500


def templates_in(folder: Path) -> Environment:
    """The templates of a folder. What is put into one is short, printable and on one line, so none can forget it."""
    return Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_bounded,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def style_of(path: Path) -> Markup:
    """A style sheet of our own, to be put into a page as it stands."""
    return Markup(path.read_text(encoding="utf-8"))  # noqa: S704 - our own file


def _bounded(value: object) -> object:
    return value if isinstance(value, Markup) else shown(str(value), LONGEST)
