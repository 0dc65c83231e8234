"""The rules of access: for each route which roles may call it, and how an operator is kept to their rooms.

An **integrator** may do everything. An **auditor** reads and exports everything, and takes snapshots and hand-overs,
which change nothing that sounds. An **operator** sees the rooms that were given to them, recalls them (in a mode),
moves their level, mutes and unmutes them, keeps or undoes a trial there, and nothing else: lifts no guard rail, brings
back no earlier state, writes no slot. A route without a rule is refused when the API is built.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from fastapi import FastAPI
from fastapi.routing import APIRoute, iter_route_contexts
from starlette.routing import compile_path

from fleet.model.access import ROLES, Role
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.plan import Plan

Check = Literal["path", "query", "plan", "change", "trial", "filtered", "none"]
"""How an operator's rooms are checked: a member of the path; each `room` of the query; what a body asks to be planned;
the rooms of the change in the path, which for a `trial` has to be one that an operator may keep or undo as well; by
the route, which leaves out what is not theirs (`filtered`); or not at all, since no room is in it (`none`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """Who may call a route. No roles means that it is called to sign in."""

    roles: frozenset[Role] = frozenset(ROLES)
    check: Check = "none"


STREAM: Final = "/v1/events"
SIGNING_IN: Final = Rule(roles=frozenset())
EVERYBODY: Final = Rule()
INTEGRATOR: Final = Rule(roles=frozenset({"integrator"}))
AUDITOR: Final = Rule(roles=frozenset({"integrator", "auditor"}))
"""The integrator as well, as everywhere."""


def _with_rooms(check: Check, *, auditor: bool = True) -> Rule:
    return Rule(roles=frozenset(ROLES) if auditor else frozenset({"integrator", "operator"}), check=check)


RULES: Final[Mapping[tuple[str, str], Rule]] = {
    ("POST", "/v1/session"): SIGNING_IN,
    ("GET", "/v1/session"): EVERYBODY,
    ("DELETE", "/v1/session"): EVERYBODY,
    ("GET", "/v1/openapi.json"): EVERYBODY,
    ("GET", "/v1/access"): AUDITOR,
    ("POST", "/v1/access"): INTEGRATOR,
    ("POST", "/v1/access/{token}/revoke"): INTEGRATOR,
    ("POST", "/v1/access/{token}/sign-out"): INTEGRATOR,
    ("GET", "/v1/sessions"): AUDITOR,
    ("POST", "/v1/sessions/end"): INTEGRATOR,
    ("GET", "/v1/status"): AUDITOR,
    ("POST", "/v1/versions"): INTEGRATOR,
    ("POST", "/v1/check"): AUDITOR,
    ("GET", "/v1/files"): AUDITOR,
    ("GET", "/v1/names"): AUDITOR,
    ("GET", "/v1/rooms"): _with_rooms("filtered"),
    ("GET", "/v1/rooms/{room}"): _with_rooms("path"),
    ("GET", "/v1/rooms/{room}/levels"): _with_rooms("path"),
    ("GET", "/v1/rooms/{room}/history"): AUDITOR,
    ("GET", "/v1/rooms/{room}/missing"): _with_rooms("path"),
    ("GET", "/v1/rooms/{room}/positions/{position}"): AUDITOR,
    ("GET", "/v1/rooms/{room}/responses"): AUDITOR,
    ("POST", "/v1/rooms/{room}/hold"): INTEGRATOR,
    ("POST", "/v1/rooms/{room}/release"): INTEGRATOR,
    ("GET", "/v1/diff"): _with_rooms("query"),
    ("GET", "/v1/drift"): AUDITOR,
    ("GET", "/v1/devices"): AUDITOR,
    ("GET", "/v1/devices/{device}"): AUDITOR,
    ("POST", "/v1/devices/{device}/accept"): INTEGRATOR,
    ("POST", "/v1/devices/{device}/identify"): INTEGRATOR,
    ("POST", "/v1/snapshots"): AUDITOR,
    ("GET", "/v1/snapshots"): AUDITOR,
    ("GET", "/v1/snapshots/{snapshot}"): AUDITOR,
    ("GET", "/v1/snapshots/{first}/against/{second}"): AUDITOR,
    ("GET", "/v1/snapshots/{snapshot}/file"): AUDITOR,
    ("POST", "/v1/snapshots/verify"): AUDITOR,
    ("POST", "/v1/snapshots/{snapshot}/witnesses"): INTEGRATOR,
    ("POST", "/v1/snapshots/{snapshot}/time-stamps"): INTEGRATOR,
    ("GET", "/v1/snapshot-key"): AUDITOR,
    ("POST", "/v1/handovers"): AUDITOR,
    ("GET", "/v1/audit"): AUDITOR,
    ("GET", "/v1/audit/verify"): AUDITOR,
    ("POST", "/v1/plans"): _with_rooms("plan", auditor=False),
    ("POST", "/v1/changes"): _with_rooms("plan", auditor=False),
    ("GET", "/v1/changes"): _with_rooms("filtered"),
    ("GET", "/v1/changes/{change}"): _with_rooms("change"),
    ("POST", "/v1/changes/{change}/cancel"): _with_rooms("trial", auditor=False),
    ("POST", "/v1/changes/{change}/keep"): _with_rooms("trial", auditor=False),
    ("GET", "/v1/changes/{change}/store-again"): _with_rooms("change"),
    ("GET", "/v1/deviations"): AUDITOR,
    ("POST", "/v1/deviations"): INTEGRATOR,
    ("POST", "/v1/deviations/look"): INTEGRATOR,
    ("POST", "/v1/deviations/end"): INTEGRATOR,
    ("GET", "/v1/guests"): AUDITOR,
    ("POST", "/v1/rooms/{room}/guest"): INTEGRATOR,
    ("POST", "/v1/rooms/{room}/guest/end"): INTEGRATOR,
    ("POST", "/v1/rooms/{room}/guest/put-back/plan"): INTEGRATOR,
    ("POST", "/v1/rooms/{room}/guest/put-back"): INTEGRATOR,
    ("POST", "/v1/rounds/plan"): INTEGRATOR,
    ("POST", "/v1/rounds"): INTEGRATOR,
    ("GET", "/v1/rounds/{round_id}"): AUDITOR,
    ("POST", "/v1/rounds/{round_id}/cancel"): INTEGRATOR,
    ("GET", "/v1/take-over"): AUDITOR,
    ("POST", "/v1/take-over"): INTEGRATOR,
    ("POST", "/v1/capture/plan"): INTEGRATOR,
    ("POST", "/v1/capture"): INTEGRATOR,
    ("POST", "/v1/restarts/plan"): INTEGRATOR,
    ("POST", "/v1/restarts"): INTEGRATOR,
    ("GET", "/v1/restarts/{restart}"): AUDITOR,
    ("POST", "/v1/bindings"): INTEGRATOR,
    ("POST", "/v1/bindings/remove"): INTEGRATOR,
    ("POST", "/v1/swaps/plan"): INTEGRATOR,
    ("POST", "/v1/swaps"): INTEGRATOR,
    ("GET", "/v1/swaps"): AUDITOR,
    ("GET", "/v1/swaps/{swap}"): AUDITOR,
    ("POST", "/v1/walks"): INTEGRATOR,
    ("GET", "/v1/walks"): AUDITOR,
    ("GET", "/v1/walks/{walk}"): AUDITOR,
    ("POST", "/v1/walks/{walk}/step"): INTEGRATOR,
    ("POST", "/v1/walks/{walk}/answers"): INTEGRATOR,
    ("POST", "/v1/walks/{walk}/end"): INTEGRATOR,
    ("GET", "/v1/notices"): AUDITOR,
    ("GET", "/v1/receivers"): AUDITOR,
    ("POST", "/v1/receivers/test"): INTEGRATOR,
    ("GET", "/v1/events"): _with_rooms("filtered"),
    ("GET", "/v1/config"): AUDITOR,
    ("GET", "/v1/log"): AUDITOR,
    ("GET", "/metrics"): AUDITOR,
}

OPERATOR_KINDS: Final = frozenset({"recall", "level", "mute", "unmute"})
"""Kinds of change that an operator begins."""
OPERATOR_MEMBERS: Final = frozenset(
    {"kind", "room", "group", "position", "positions", "without", "also", "mode", "by_db", "to_db", "until"}
    | {"who", "digest", "why", "keep_within_s", "allow"}
)
"""What an operator's plan may say; everything else has to be left as it is when nobody says it."""

_ROUTES: Final[Sequence[tuple[str, str, re.Pattern[str], Rule]]] = [
    (method, path, compile_path(path)[0], rule)
    for (method, path), rule in sorted(RULES.items(), key=lambda item: item[0][1].count("{"))
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruled:
    """The rule that a request comes under: that of this route, with the members of its path."""

    path: str
    rule: Rule
    members: Mapping[str, str]


def rule_of(method: str, path: str) -> Ruled | None:
    """The rule of a request; none where there is no such route."""
    for known, template, pattern, rule in _ROUTES:
        if known == method and (found := pattern.match(path)) is not None:
            return Ruled(path=template, rule=rule, members=found.groupdict())
    return None


def methods_of(path: str) -> tuple[str, ...]:
    """Methods that a path is there for. A stream has no HEAD, since it has no end."""
    found = {method for method, _, pattern, _ in _ROUTES if pattern.match(path)}
    if "GET" in found and path != STREAM:
        found.add("HEAD")
    return tuple(sorted({*found, "OPTIONS"} if found else ()))


def under_rules(path: str) -> bool:
    """Whether a path is the API's; what is not is the page's own files, which tell nothing of the venue."""
    return path.startswith("/v1/") or path in {"/v1", "/metrics"}


def enforce(app: FastAPI) -> None:
    """Refuse to go on with an API that has a route without a rule; note which routes are told who asks."""
    without: list[str] = []
    taking_who: set[tuple[str, str]] = set()
    for path, methods, route in _routes(app):
        for method in sorted(methods):
            if under_rules(path) and (method, path) not in RULES and path not in app.state.for_everybody:
                without.append(f"{method} {path}")
            if isinstance(route, APIRoute) and any(
                "who" in getattr(parameter.field_info.annotation, "model_fields", ())
                for parameter in route.dependant.body_params
            ):
                taking_who.add((method, path))
    if without:
        raise RuntimeError(f"no rule of access: {', '.join(without)}; give each a line in fleet/faces/api/rules.py")
    app.state.taking_who = frozenset(taking_who)


def why_not_rooms(
    ruled: Ruled, rooms: Collection[str], query: Sequence[str], body: Mapping[str, Any], change: ChangeRecord | None
) -> str:
    """Why an operator with these rooms may not do what they ask, in words; empty where they may.

    `query` has the rooms of the query, `change` is the one that the path names.
    """
    check = ruled.rule.check
    asked: set[str] = set()
    if check == "path":
        asked = {ruled.members["room"]}
    elif check == "query":
        asked = set(query)
    elif check == "plan":
        if words := _why_not_plan(body):
            return words
        asked = {str(body.get("room") or ""), *map(str, body.get("also") or ())}
    elif check in {"change", "trial"} and change is not None:
        asked = rooms_of(change)
        if check == "trial" and not _theirs_to_end(change):
            return "an operator keeps or undoes a trial, or ends what an operator began; this is an integrator's change"
    if others := sorted(asked - set(rooms)):
        return f"{others[0] or 'a change without a room'} is not among the rooms that were given to you"
    return ""


def rooms_of(change: ChangeRecord) -> set[str]:
    """Every room that a change is about, or whose devices it touches."""
    return rooms_of_plan(change.plan)


def rooms_of_plan(plan: Plan) -> set[str]:
    """Every room that a plan is about, whose mode it brings about, or whose devices it touches."""
    return {*plan.rooms, *plan.then.modes, *(room for device in plan.devices for room, _ in device.positions)}


def _why_not_plan(body: Mapping[str, Any]) -> str:
    if str(body.get("kind")) not in OPERATOR_KINDS:
        return "an operator recalls a room, moves its level and mutes it; anything else is an integrator's"
    if body.get("allow"):
        return "an operator lifts no guard rail: ask an integrator"
    if not isinstance(body.get("also") or [], list):
        return "the further rooms are no list"
    if other := sorted(name for name, value in body.items() if value and name not in OPERATOR_MEMBERS):
        return f"{other[0]} is an integrator's to ask for"
    return ""


def _theirs_to_end(change: ChangeRecord) -> bool:
    kind = change.plan.kind
    return kind in OPERATOR_KINDS or (change.state is ChangeState.ON_TRIAL and kind != "walk")


def _routes(app: FastAPI) -> Iterator[tuple[str, Collection[str], object]]:
    """Path, methods and route of each route, in whatever router it stands."""
    for context in iter_route_contexts(app.routes):
        if context.path is not None:
            yield context.path, context.methods or ("GET",), context.original_route
