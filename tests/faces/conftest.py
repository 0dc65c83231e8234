"""A daemon in this process, and the command line beside it."""

from __future__ import annotations

from tests.faces.daemon_in_process import daemon, fleet, home

__all__ = ["daemon", "fleet", "home"]
