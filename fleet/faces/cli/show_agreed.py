"""Agreed deviations in brief: those of one position that were signed for together are one line for people."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable

from fleet.faces.documents import Document
from fleet.model.difference import Grade
from fleet.reconcile.brief import Said, in_brief


def together(documents: Iterable[Document], terms: Callable[[Document], Hashable]) -> list[list[Document]]:
    """Deviations or differences by position and the terms that they share, in the order of the first of each."""
    found: dict[Hashable, list[Document]] = {}
    for one in documents:
        found.setdefault((one["room"], one["position"], terms(one)), []).append(one)
    return list(found.values())


def brief(documents: Iterable[Document]) -> str:
    """What they are, in brief."""
    return in_brief(
        [
            Said(
                setting=one["setting"],
                slot=one["slot"] if one["subject"] == "stored" else None,
                grade=Grade[one["grade"].upper()],
                words=one["words"],
            )
            for one in documents
        ]
    )


def agreed_rows(differences: Iterable[Document]) -> list[tuple[str, str]]:
    """The agreed ones of these differences: each position, with what differs and who signed for it."""
    return [
        (ones[0]["position"], f"{brief(ones)}; {_signed(ones[0]['agreed'])}")
        for ones in together((d for d in differences if d["agreed"]), lambda d: tuple(d["agreed"].values()))
    ]


def _signed(agreed: Document) -> str:
    return f"agreed by {agreed['owner']} until {agreed['until']}: {agreed['reason']}"
