"""Whatever is sent to the API, it answers as its OpenAPI document says: requests are drawn from that document.

`FLEET_SEED` plays other requests, `FLEET_NIGHTLY=1` many more. Each operation is played against one daemon after the
other ones, so that what is drawn meets rooms on hold, muted boxes and versions that earlier requests left.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import requests
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis import Case, GenerationMode, Response
from schemathesis.core.failures import FailureGroup
from schemathesis.specs.openapi import checks

from fleet.faces.api.openapi import METHODS, describe
from fleet.faces.api.undeployed import undeployed_api
from tests.faces.daemon_in_process import RunningDaemon, a_daemon
from tests.services.small_venue import boxes

Json = dict[str, Any]

NIGHTLY = os.environ.get("FLEET_NIGHTLY") == "1"
SEED = int(os.environ.get("FLEET_SEED", "20310517"))
EXAMPLES = 100 if NIGHTLY else 6
WITHIN_S = 60.0
BY_ITS_DEVICES = {502, 503, 504}
"""Answers that tell of a device or the broker, and not of a fault of the daemon."""
THERE = {"room": "weir-hall", "group": "mains", "position": "fill", "device": "box-3", "mode": "house", "who": "ines"}
"""Names in the venue, by the members that have them."""
SIGN_IN = ("POST", "/v1/session")
STREAM = "/v1/events"
"""It has no end; test_event_stream reads it."""

DOCUMENT: Json = describe(undeployed_api())
SCHEMA = schemathesis.openapi.from_dict(DOCUMENT)
OPERATIONS = [
    (method.upper(), path)
    for path, methods in sorted(DOCUMENT["paths"].items())
    for method in METHODS
    if method in methods and path != STREAM
]
"""In a fixed order, so that a seed plays the same."""
CHECKS = [
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_schema_conformance,
    checks.response_headers_conformance,
]


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningDaemon]:
    """One daemon for all of it, with a venue of two rooms."""
    with a_daemon(tmp_path_factory.mktemp("fuzzed") / "home", boxes()) as running:
        yield running


@pytest.fixture(scope="module")
def base_url(daemon: RunningDaemon) -> str:
    return str(json.loads((daemon.home / "daemon.json").read_text(encoding="utf-8"))["url"])


@pytest.fixture(scope="module")
def session(daemon: RunningDaemon) -> Iterator[requests.Session]:
    """A client of the daemon's own machine."""
    with requests.Session() as session:
        session.trust_env = False
        session.headers["Authorization"] = f"Bearer {(daemon.home / 'token').read_text(encoding='utf-8').strip()}"
        yield session


@pytest.mark.parametrize(("method", "path"), OPERATIONS, ids=lambda part: part)
def test_it_answers_as_it_says(base_url: str, session: requests.Session, method: str, path: str) -> None:

    where = path.format_map(Named())
    bare = requests.request(method, f"{base_url}{where}", json={}, timeout=WITHIN_S)
    assert bare.status_code == (422 if (method, path) == SIGN_IN else 401), "nothing is told without a sign-in"

    def play(case: Case) -> None:
        response = case.call(base_url=base_url, session=session, timeout=WITHIN_S)
        assert response.status_code < 500 or response.status_code in BY_ITS_DEVICES, response.text
        if response.status_code >= 400:
            _is_a_problem(response, case)
        case.validate_response(response, checks=CHECKS)

    _drawn(method, path, play)


def test_a_seed_plays_the_same_again() -> None:
    first, second = list[str](), list[str]()
    for played in (first, second):
        _drawn("POST", "/v1/plans", lambda case, played=played: played.append(repr((case.body, case.query))))
    assert first == second
    assert len(set(first)) > 2


def test_the_checks_can_fail(base_url: str, session: requests.Session) -> None:
    """A document that promises what the API does not do is found out."""
    spoiled = json.loads(json.dumps(DOCUMENT))
    spoiled["components"]["schemas"]["fleet-rooms.1"]["properties"]["rooms"] = {"type": "string"}
    case = schemathesis.openapi.from_dict(spoiled)["/v1/rooms"]["GET"].Case()
    with pytest.raises(FailureGroup) as found:
        case.validate_response(case.call(base_url=base_url, session=session), checks=CHECKS)
    assert 'not of type "string"' in str(found.value.exceptions[0])


def _drawn(method: str, path: str, play: Callable[[Case], None]) -> None:
    """Play requests of an operation: what it asks for, and what it does not."""
    operation = SCHEMA[path][method]
    modes = (GenerationMode.POSITIVE, GenerationMode.NEGATIVE)

    @seed(SEED)
    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(
        case=st.one_of(operation.as_strategy(generation_mode=mode) for mode in modes),
        there=st.booleans(),
    )
    def one_after_the_other(case: Case, there: bool) -> None:
        if there:
            _name_what_is_there(case)
        if "wait_s" in case.query:
            case.query["wait_s"] = 0  # what is waited for never comes
        play(case)

    one_after_the_other()


def _name_what_is_there(case: Case) -> None:
    """Ask of things that there are, so that more than their absence is answered."""
    for members in (case.path_parameters, case.query, case.body):
        if isinstance(members, dict):
            members |= {name: THERE[name] for name in members if name in THERE}


class Named(dict[str, str]):
    """A name for whatever a path has a name of."""

    def __missing__(self, key: str) -> str:
        return f"some-{key}"


def _is_a_problem(response: Response, case: Case) -> None:
    """RFC 9457, section 3.1: the members that we promise, and nothing of our insides."""
    document = response.json()
    assert response.headers["content-type"] == ["application/problem+json"], case.path
    assert document["status"] == response.status_code
    assert document["type"].endswith(f"/{document['title']}")
    assert document["detail"]
    assert document["instance"].startswith("/")
    assert "Traceback" not in response.text
