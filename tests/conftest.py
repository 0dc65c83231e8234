"""For every test: hypothesis without time limits, since a loaded machine proves nothing about a property."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("fleet", deadline=None, print_blob=True)
settings.load_profile("fleet")
