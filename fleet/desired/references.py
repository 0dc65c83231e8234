"""References of a position as files write them: where it is found on drawings, cables, racks, circuits and switches.

Nothing of it is compared or written to a device; labels and lists show it.
"""

from __future__ import annotations

from pydantic import Field

from fleet.desired.kinds import Text
from fleet.desired.parts import Part
from fleet.model.venue import References


class ReferencesPart(Part):
    """What a position is called elsewhere."""

    drawing: Text | None = Field(default=None, description="Where it is on the drawings.")
    cable: Text | None = Field(default=None, description="Number or label of its cable.")
    rack: Text | None = Field(default=None, description="Rack, and the unit in it, that its device or feed is in.")
    circuit: Text | None = Field(default=None, description="Mains circuit that feeds it.")
    switch_port: Text | None = Field(default=None, description="Network switch and port that it is plugged into.")


def references_of(part: ReferencesPart) -> References:
    """The references that are given."""
    return References(**{name: getattr(part, name) or "" for name in ReferencesPart.model_fields})
