"""One simulated device without I/O and without a clock: requests in, replies out; uptime is told to it."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import replace

from . import telling
from .abilities import Identity, Json, Model, describe
from .admission import check
from .condition import Kept, Slot, digest
from .faults import Faults
from .fitting import Work
from .request import STAGED_ACTIONS, Refused, Request, is_id, read
from .running import Running

REMEMBERED_REPLIES = 64


class Device:
    """A device from power-up to power loss, as the wire sees it.

    `running` holds its settings; after each call its owner stores `running.kept`, publishes the messages that are no
    longer equal to the last published ones, and lets the device reboot where `reboots` says so.
    """

    def __init__(self, model: Model, identity: Identity, kept: Kept, boot_id: str, faults: Faults) -> None:
        self.boot_id = boot_id
        self.reboots: str | None = None
        self.running = Running(model, kept, faults)
        self._model = model
        self._identity = identity
        self._faults = faults
        self._hashed: tuple[tuple[Slot, ...], str] | None = None
        self._replies: OrderedDict[tuple[str, str], Json] = OrderedDict()

    def description(self) -> Json:
        """The `description` message."""
        name = f"{self._model.name}\x07\x1b[31m" if "garbage" in self._faults else self._model.name
        return {**describe(self._model, self._known_as()), "model": name}

    def state(self, uptime_ms: int) -> Json:
        """The `state` message."""
        return telling.state_message(self._known_as(), self.running, self._moment(uptime_ms), self._slots_sha256())

    def slots(self, uptime_ms: int) -> Json:
        """The `slots` message."""
        return telling.slots_message(self._identity, self.running, self._moment(uptime_ms))

    def handle(self, message: Json, uptime_ms: int) -> Json | None:
        """Answer a request; `None` where it does not even say who asks. A repeat is answered from memory.

        `reboots` is `after_reply` once a restart was asked for, and `at_once` where a fault leaves the commit
        unanswered.
        """
        self.running.tick(uptime_ms)
        if not (is_id(message.get("id")) and is_id(message.get("controller"))):
            return None
        key = (message["controller"], message["id"])
        if key in self._replies:
            return self._replies[key]
        reply: Json = {"v": 1, "id": message["id"], "device": self._identity.device, "ok": True}
        more: Json = {}
        try:
            more = self._answer(read(message, len(self._model.outputs)), uptime_ms)
        except Refused as refusal:
            reply |= {"ok": False, "refusal": {"code": refusal.code, "text": refusal.text}}
        reply["result"] = {**self._moment(uptime_ms), **more}
        self._replies[key] = reply
        if len(self._replies) > REMEMBERED_REPLIES:
            self._replies.popitem(last=False)
        return reply

    def _answer(self, request: Request, uptime_ms: int) -> Json:
        work = Work.of(request.body) if request.action in ("stage", "set") else None
        check(request, work, self.running, self.boot_id, uptime_ms)
        change = request.body["change"] if request.action in STAGED_ACTIONS else ""
        if request.action == "get":
            return {"state": self.state(uptime_ms), "slots": self.slots(uptime_ms)}
        if not self.running.changes.is_repeat(request.action, change):
            self._do(request, change, work, uptime_ms)
        return {}

    def _do(self, request: Request, change: str, work: Work | None, uptime_ms: int) -> None:
        running, body = self.running, request.body
        match request.action:
            case "stage" if work:
                running.stage(change, body["phase"], work, uptime_ms)
            case "commit":
                within_ms = body.get("revert_after_ms")
                running.commit(body["phase"], None if within_ms is None else uptime_ms + within_ms)
                if self._faults.reboots_at(body["phase"]):
                    self.reboots = "at_once"
            case "keep":
                running.keep(change, uptime_ms)
            case "revert":
                running.revert(change)
            case "abort":
                running.abort(change)
            case "set" if work:
                running.set(work, uptime_ms)
            case "restart":
                self.reboots = "after_reply"
            case _:
                return

    def _known_as(self) -> Identity:
        told = {"serial": self._faults.argument("foreign_serial"), "firmware": self._faults.argument("firmware")}
        return replace(self._identity, **{name: value for name, value in told.items() if value})

    def _slots_sha256(self) -> str:
        slots = self.running.kept.slots
        if self._hashed is None or self._hashed[0] is not slots:
            self._hashed = (slots, digest(slots))
        return self._hashed[1]

    def _moment(self, uptime_ms: int) -> Json:
        return {"boot_id": self.boot_id, "revision": self.running.revision, "uptime_ms": uptime_ms}
