"""One version of the desired state: what the files of a venue folder said at one moment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fleet.desired.places import Places
from fleet.model.venue import Venue


@dataclass(frozen=True, slots=True, kw_only=True)
class Version:
    """A version of the desired state: resolved, with its texts and the places of everything in them."""

    venue: Venue
    sha256: str
    files: Mapping[str, str]
    places: Places
