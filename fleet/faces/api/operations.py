"""What each route of the API does, in words and by the document it answers with. A route that is not here is a fault.

A document may be of several formats. What is no document of ours: `text` is metrics, `file` a file to keep, `events` a
stream of `fleet-event/1`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """A route: its id, the part of the API that it belongs to, a summary, and the formats of its answer."""

    id: str
    tag: str
    summary: str
    answers: tuple[str, ...]


TAGS: Final[Mapping[str, str]] = {
    "access": "Signing in, and the tokens that open the API.",
    "venue": "The venue's files and what is found in them.",
    "rooms": "Rooms, their positions, holds and guests.",
    "changes": "Plans and the changes that carry them out.",
    "devices": "The inventory, bindings and swaps.",
    "walks": "Walk tests.",
    "proof": "Snapshots, hand-overs and the audit log.",
    "daemon": "The daemon itself, its notices and its log.",
}


def _of(tag: str, **operations: tuple[str, str, str]) -> dict[tuple[str, str], Operation]:
    """Operations of a tag by id: method and path, summary, formats."""
    found = {}
    for name, (route, summary, answers) in operations.items():
        method, path = route.split()
        found[method, path] = Operation(id=name, tag=tag, summary=summary, answers=tuple(answers.split()))
    return found


OPERATIONS: Final[Mapping[tuple[str, str], Operation]] = {
    **_of(
        "access",
        sign_in=("POST /v1/session", "Sign in with a token; sets the session's cookie", "fleet-session/1"),
        who_am_i=("GET /v1/session", "Who is signed in", "fleet-session/1"),
        sign_out=("DELETE /v1/session", "Sign out", "fleet-session-end/1"),
        list_tokens=("GET /v1/access", "List the tokens, without their secrets", "fleet-access/1"),
        make_token=("POST /v1/access", "Make a token; its secret is told this once", "fleet-access-made/1"),
        revoke_token=("POST /v1/access/{token}/revoke", "Revoke a token", "fleet-access-token/1"),
        list_sessions=("GET /v1/sessions", "List the browsers that are signed in", "fleet-sessions/1"),
        sign_out_everywhere=(
            "POST /v1/access/{token}/sign-out",
            "Sign out every browser that came in with a token, which stays good",
            "fleet-sessions-ended/1",
        ),
        sign_others_out=("POST /v1/sessions/end", "Sign out every browser but one's own", "fleet-sessions-ended/1"),
    ),
    **_of(
        "venue",
        load_version=("POST /v1/versions", "Put a version of the venue's files in force", "fleet-load/1"),
        check_design=(
            "POST /v1/check",
            "Check files, or the version in force, against the design rules",
            "fleet-check/1",
        ),
        read_files=("GET /v1/files", "The files of the version in force", "fleet-files/1"),
        list_names=("GET /v1/names", "Names of rooms, groups, positions, modes and devices", "fleet-names/1"),
        plan_capture=("POST /v1/capture/plan", "What a capture would write", "fleet-capture/1"),
        capture=("POST /v1/capture", "Write reported state as desired state", "fleet-capture/1"),
    ),
    **_of(
        "rooms",
        list_rooms=("GET /v1/rooms", "Every room, and whether it is as it should be", "fleet-rooms/1"),
        read_room=("GET /v1/rooms/{room}", "A room, position by position", "fleet-room/1"),
        read_levels=(
            "GET /v1/rooms/{room}/levels",
            "Levels of a room, their ranges, and who chose them",
            "fleet-levels/1",
        ),
        read_history=("GET /v1/rooms/{room}/history", "Which versions changed a room", "fleet-history/1"),
        read_missing=("GET /v1/rooms/{room}/missing", "Devices of a room that are not up", "fleet-missing/1"),
        read_position=("GET /v1/rooms/{room}/positions/{position}", "One position in full", "fleet-position/1"),
        read_responses=(
            "GET /v1/rooms/{room}/responses",
            "Wanted and reported responses of outputs",
            "fleet-responses/1",
        ),
        read_differences=("GET /v1/diff", "Read devices afresh and compare them with what is desired", "fleet-diff/1"),
        read_drift=("GET /v1/drift", "What is not as it should be by itself", "fleet-drift/1"),
        hold_room=("POST /v1/rooms/{room}/hold", "Put a room on hold: a show runs", "fleet-hold/1"),
        release_room=("POST /v1/rooms/{room}/release", "Release a room", "fleet-release/1"),
        list_guests=("GET /v1/guests", "Guest sessions", "fleet-guests/1"),
        let_guest_in=("POST /v1/rooms/{room}/guest", "Let a guest into a room", "fleet-guest/1"),
        end_guest=("POST /v1/rooms/{room}/guest/end", "End a guest's time", "fleet-guest/1"),
        plan_put_back=(
            "POST /v1/rooms/{room}/guest/put-back/plan",
            "What would put a room back after a guest",
            "fleet-plan/1",
        ),
        put_back=("POST /v1/rooms/{room}/guest/put-back", "Put a room back after a guest", "fleet-change/1"),
        list_deviations=("GET /v1/deviations", "Agreed deviations", "fleet-deviations/1"),
        look_at_deviations=(
            "POST /v1/deviations/look",
            "Differences that could be agreed to",
            "fleet-deviations-found/1",
        ),
        agree=("POST /v1/deviations", "Agree to differences, with a reason and an end", "fleet-deviations/1"),
        end_deviation=("POST /v1/deviations/end", "End agreed deviations", "fleet-deviations/1"),
    ),
    **_of(
        "changes",
        plan=("POST /v1/plans", "What a change would do, and what speaks against it", "fleet-plan/1"),
        begin_change=("POST /v1/changes", "Carry out the plan with this digest", "fleet-change/1"),
        list_changes=("GET /v1/changes", "Changes, last begun first", "fleet-changes/1"),
        read_change=("GET /v1/changes/{change}", "A change and its story; may wait for its end", "fleet-change/1"),
        cancel_change=(
            "POST /v1/changes/{change}/cancel",
            "Stop a change: what was touched goes back",
            "fleet-change/1",
        ),
        keep_change=("POST /v1/changes/{change}/keep", "Keep a change on trial", "fleet-change/1"),
        read_store_again=(
            "GET /v1/changes/{change}/store-again",
            "What wants storing after a recall",
            "fleet-store-again/1",
        ),
        plan_round=("POST /v1/rounds/plan", "What a round over all rooms would do", "fleet-round-plan/1"),
        begin_round=("POST /v1/rounds", "Apply or recall one room after the other", "fleet-round/1"),
        read_round=("GET /v1/rounds/{round_id}", "A round; may wait for its end", "fleet-round/1"),
        cancel_round=("POST /v1/rounds/{round_id}/cancel", "Begin no further room of a round", "fleet-round/1"),
        plan_restart=("POST /v1/restarts/plan", "Which devices would be restarted, in which order", "fleet-restart/1"),
        begin_restart=("POST /v1/restarts", "Restart devices, and recall where asked for", "fleet-restart/1"),
        read_restart=("GET /v1/restarts/{restart}", "A restart; may wait for its end", "fleet-restart/1"),
        read_epochs=("GET /v1/take-over", "Whether devices follow another database", "fleet-take-over/1"),
        take_over=("POST /v1/take-over", "Take the devices over from another database", "fleet-take-over/1"),
    ),
    **_of(
        "devices",
        list_devices=("GET /v1/devices", "Devices that were seen or that a position names", "fleet-devices/1"),
        read_device=("GET /v1/devices/{device}", "A device in full", "fleet-device/1"),
        accept_device=("POST /v1/devices/{device}/accept", "Vouch for a conflicting device", "fleet-device/1"),
        identify_device=("POST /v1/devices/{device}/identify", "Let a device blink", "fleet-identify/1"),
        bind=("POST /v1/bindings", "Bind a position to a device", "fleet-binding/1"),
        unbind=("POST /v1/bindings/remove", "Take a position's device away", "fleet-binding/1"),
        plan_swap=("POST /v1/swaps/plan", "What a swap would do, and what would be lost by it", "fleet-swap-plan/1"),
        begin_swap=("POST /v1/swaps", "Swap a device for a spare", "fleet-swap/1"),
        list_swaps=("GET /v1/swaps", "Swaps, last begun first", "fleet-swaps/1"),
        read_swap=("GET /v1/swaps/{swap}", "A swap; may wait for its end", "fleet-swap/1"),
    ),
    **_of(
        "walks",
        begin_walk=("POST /v1/walks", "Begin a walk test, or go on with one", "fleet-walk/1"),
        list_walks=("GET /v1/walks", "Walk tests, last begun first", "fleet-walks/1"),
        read_walk=("GET /v1/walks/{walk}", "A walk test and what it found", "fleet-walk/1"),
        step_walk=("POST /v1/walks/{walk}/step", "Go to another position", "fleet-walk/1"),
        answer_walk=("POST /v1/walks/{walk}/answers", "Write down what was heard", "fleet-walk/1"),
        end_walk=("POST /v1/walks/{walk}/end", "End a walk test: everything goes back", "fleet-walk/1"),
    ),
    **_of(
        "proof",
        take_snapshot=("POST /v1/snapshots", "Read every device and seal what it reports", "fleet-snapshot/2"),
        list_snapshots=("GET /v1/snapshots", "Snapshots, last taken first", "fleet-snapshots/1"),
        read_snapshot=(
            "GET /v1/snapshots/{snapshot}",
            "A snapshot as it is exported",
            "fleet-snapshot/2 fleet-snapshot/1",
        ),
        save_snapshot=("GET /v1/snapshots/{snapshot}/file", "A snapshot as a file to keep", "file"),
        verify_snapshot=("POST /v1/snapshots/verify", "Verify a snapshot's file", "fleet-verify/1"),
        compare_snapshots=(
            "GET /v1/snapshots/{first}/against/{second}",
            "How one snapshot differs from another",
            "fleet-snapshot-diff/1",
        ),
        witness_snapshot=(
            "POST /v1/snapshots/{snapshot}/witnesses",
            "Write down who countersigned a snapshot's hash",
            "fleet-snapshot/2 fleet-snapshot/1",
        ),
        time_stamp_snapshot=(
            "POST /v1/snapshots/{snapshot}/time-stamps",
            "Have a snapshot time-stamped",
            "fleet-snapshot/2 fleet-snapshot/1",
        ),
        read_key=("GET /v1/snapshot-key", "The public key that signs snapshots", "fleet-snapshot-key/1"),
        hand_over=("POST /v1/handovers", "Gather a hand-over", "fleet-handover/1"),
        list_audit=("GET /v1/audit", "Entries of the audit log, last first", "fleet-audit/1"),
        verify_audit=("GET /v1/audit/verify", "Follow the audit log from its first entry", "fleet-audit-verify/1"),
    ),
    **_of(
        "daemon",
        read_openapi=("GET /v1/openapi.json", "This document", ""),
        read_status=("GET /v1/status", "Whether the daemon runs well", "fleet-status/1"),
        list_notices=("GET /v1/notices", "Notices, last given first", "fleet-notices/1"),
        list_receivers=("GET /v1/receivers", "Who is told of notices, and whether that works", "fleet-receivers/1"),
        test_receivers=("POST /v1/receivers/test", "Send each receiver a test notice", "fleet-notices-test/1"),
        read_events=("GET /v1/events", "What happens, as it happens; see schemas/events.md", "events"),
        read_config=("GET /v1/config", "The settings in force, without secrets", "fleet-config/1"),
        read_log=("GET /v1/log", "Lines of the daemon's log", "fleet-log/1"),
        read_metrics=("GET /metrics", "Metrics as Prometheus reads them", "text"),
    ),
}
