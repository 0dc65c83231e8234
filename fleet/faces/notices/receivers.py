"""The receivers that a configuration names."""

from __future__ import annotations

from collections.abc import Iterable

from fleet.faces.notices.command import Command
from fleet.faces.notices.config import ReceiverConfig
from fleet.faces.notices.webhook import Webhook
from fleet.services.receivers import Receiver


def receivers_of(configured: Iterable[ReceiverConfig]) -> tuple[Receiver, ...]:
    """One for each."""
    return tuple(Command(one) if one.command else Webhook(one) for one in configured)
