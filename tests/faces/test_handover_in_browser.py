"""The page of a hand-over in a real browser: it asks for nothing, is readable for all, and prints on A4."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from pypdf import PdfReader

from fleet.faces.handover import rendered
from tests.browser import axe_violations, offline_page
from tests.faces.handover_venue import handing_over

A4_PT = (595, 842)
"""210 mm by 297 mm (ISO 216) in points of 1/72 inch."""


@pytest.fixture
async def folder(tmp_path: Path) -> Path:
    (tmp_path / "db").mkdir()
    async with handing_over(tmp_path / "db") as services:
        pack = await services.handing_over.gather(None, "ines")
    for name, text in rendered(pack).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def test_the_page_stands_alone_is_accessible_and_prints(folder: Path) -> None:
    with offline_page() as (page, wrong):
        page.goto((folder / "handover.html").as_uri())
        assert page.title() == "Hand-over: Harbour House"
        pictures = page.evaluate("[...document.images].map(i => [i.complete, i.naturalWidth > 0, i.alt.length > 20])")
        assert pictures
        assert all(all(one) for one in pictures)
        assert axe_violations(page) == []
        narrow = page.viewport_size
        assert narrow is not None
        overflow = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert page.evaluate(overflow) == 0
        printed = PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True)))
        assert wrong == []
    assert len(printed.pages) > 3
    assert {(round(p.mediabox.width), round(p.mediabox.height)) for p in printed.pages} == {A4_PT}
    texts = [p.extract_text() for p in printed.pages]
    sheet = next(text for text in texts if "For Harbour House, without this tool" in text)
    assert "amp-1" in sheet
    assert "box-9" in sheet, "all devices of this venue fit the one sheet"
    assert "Snapshot and signatures" not in sheet


def test_this_browser_sees_what_is_wrong(tmp_path: Path) -> None:
    """The two judges above can fail."""
    bad = tmp_path / "bad.html"
    bad.write_text("<html><body><img src='http://127.0.0.1:9/x.png'><script>console.error('no')</script></body></html>")
    with offline_page() as (page, wrong):
        page.goto(bad.as_uri())
        assert any("127.0.0.1:9" in one for one in wrong)
        assert any("no" in one for one in wrong)
        assert any(one.startswith("image-alt") for one in axe_violations(page))
        assert any(one.startswith("html-has-lang") for one in axe_violations(page))
