"""The documents that the API answers with, member by member, for the OpenAPI document.

Each line is a format and its members with their types: `s` text, `i` a whole number, `n` a number, `b` true or false,
`a` a list, `o` an object; `?` where it may be null. Documents may gain members: a reader ignores what it does not know.
"""

from __future__ import annotations

from typing import Any, Final

Schema = dict[str, Any]

TYPES: Final = {"s": "string", "i": "integer", "n": "number", "b": "boolean", "a": "array", "o": "object"}

LIST: Final = "next:s?"
"""What a list that comes in pages has besides."""

DOCUMENTS: Final[dict[str, str]] = {
    "fleet-access/1": "tokens:a",
    "fleet-access-made/1": "id:s name:s role:s rooms:a state:s token:s",
    "fleet-access-token/1": "id:s name:s role:s rooms:a state:s",
    "fleet-audit/1": f"entries:a {LIST}",
    "fleet-audit-verify/1": "right:b length:i sha256:s fault:s held_against:a",
    "fleet-binding/1": "room:s position:s device:s output:i before:o files:o version:i folder:s?",
    "fleet-capture/1": "room:s file:s text:s positions:a notes:a skipped:a against:a differences:a files:o version:i? "
    "sha256:s? folder:s?",
    "fleet-change/1": "id:s kind:s scope:s who:s why:s state:s ended:b started_at:s trial_until:s? ended_at:s? "
    "undoes:s devices:a culprits:o plan:o story:a",
    "fleet-changes/1": f"changes:a damaged:a {LIST}",
    "fleet-check/1": "findings:a counts:o silenced:a",
    "fleet-config/1": "settings:a",
    "fleet-deviations/1": "deviations:a",
    "fleet-deviations-found/1": "room:s position:s digest:s differences:a",
    "fleet-device/1": "id:s status:s positions:a spare_for:a retired:o? life_safety:b online:b announced:b serial:s "
    "model:s firmware:s mac:s address:s route:s first_seen:s? last_seen:s? conflict:s trouble:s edited:b? "
    "temperature_c:n? faults:a references:o reported:o? slots:a sightings:a changes:a",
    "fleet-devices/1": f"link_trouble:s counts:o devices:a {LIST}",
    "fleet-diff/1": "rooms:a same:b checked:i counts:o agreed:i differences:a notes:a not_checked:a",
    "fleet-drift/1": "episodes:a",
    "fleet-files/1": "version:i sha256:s who:s at:s note:s files:o",
    "fleet-guest/1": "id:s room:s state:s guest:s who:s why:s began:s until:s until_local:s ceiling_db:n? snapshot:s "
    "mode:s unread:a above_ceiling:a ended:s? ended_by:s compared:s? apart:a away:a not_compared:a "
    "change:s closed:s? closed_by:s",
    "fleet-guests/1": "sessions:a",
    "fleet-handover/1": "venue:s room:s? snapshot:s sha256:s checked:i not_checked:i same:b files:o",
    "fleet-history/1": "room:s time_zone:s stored:o? recalled:o? versions:a more:b",
    "fleet-hold/1": "room:s until:s who:s why:s until_local:s words:s",
    "fleet-identify/1": "device:s seconds:i",
    "fleet-levels/1": "room:s name:s levels:a",
    "fleet-load/1": "venue:s version:i sha256:s unchanged:b rooms:i positions:i",
    "fleet-log/1": "lines:a last:i?",
    "fleet-missing/1": "room:s missing:a",
    "fleet-names/1": "rooms:o devices:a",
    "fleet-notices/1": f"time_zone:s notices:a {LIST}",
    "fleet-notices-test/1": "receivers:a",
    "fleet-plan/1": "kind:s scope:s rooms:a digest:s desired_sha256:s undoes:s until:s chosen_levels_db:o modes:o "
    "empty:b devices:a differences:a louder:a afterwards:a store_again:a guards:a left_out:a notes:a",
    "fleet-position/1": "room:s room_name:s position:s device:o output:i groups:a coherent:a role:s? life_safety:b "
    "ceiling_db:n? settings:a state:s state_words:a differences:a notes:a at_m:a? whereabouts:o? plan:o references:o "
    "line:o? loudspeaker:o?",
    "fleet-receivers/1": "receivers:a",
    "fleet-release/1": "room:s held:o",
    "fleet-responses/1": "floor_db:n",
    "fleet-restart/1": "id:s state:s ended:b rooms:a scope:s waves:a recall:b who:s why:s began:s? restarted:a back:a "
    "not_back:a change:s trouble:s",
    "fleet-room/1": "room:s name:s house_curve:s? mode:s mode_since:s? mode_by:s mode_words:s modes:a same:b words:s "
    "since:s? muted:a agreed:a positions:a chosen_levels:a",
    "fleet-rooms/1": "rooms:a",
    "fleet-round/1": "id:s kind:s who:s why:s started_at:s ended:b ended_at:s? stop_after:i stopped:s all_done:b "
    "counted:a rooms:a",
    "fleet-round-plan/1": "kind:s empty:b rooms:a",
    "fleet-session/1": "name:s role:s rooms:a? by:s kind:s? venue:s? csrf:s expires_at:s? idle_ends_at:s?",
    "fleet-session-end/1": "",
    "fleet-sessions/1": "sessions:a",
    "fleet-sessions-ended/1": "ended:i",
    "fleet-snapshot/1": "id:s sha256:s body:o",
    "fleet-snapshot/2": "id:s sha256:s body:o entries:o signature:o? witnesses:a",
    "fleet-snapshot-diff/1": "rooms:a same:b checked:i counts:o agreed:i differences:a notes:a not_checked:a first:s "
    "second:s",
    "fleet-snapshot-key/1": "pem:s sha256:s",
    "fleet-snapshots/1": f"snapshots:a {LIST}",
    "fleet-status/1": "version:s pid:i broker:s root:s link_trouble:s inventory:o venue:s? desired_sha256:s?",
    "fleet-store-again/1": "change:s positions:a offers:a",
    "fleet-swap/1": "id:s positions:a old:s old_serial:s new:s new_serial:s who:s why:s began:s state:s "
    "version_before:s writes:o undoes:s words:s ended:s? has_ended:b",
    "fleet-swap-plan/1": "positions:a old:o new:o losses:a notes:a writes:o undoes:s digest:s",
    "fleet-swaps/1": "swaps:a",
    "fleet-take-over/1": "epoch:i epoch_wanted:i taken:b answered:i above:o unsure:o",
    "fleet-verify/1": "right:b id:s? sha256:s? checks:a audit:o? not_checked:a caveats:a",
    "fleet-walk/1": "id:s room:s has_ended:b is_baseline:b left:a heard:a findings:a all_right:b against:o?",
    "fleet-walks/1": "walks:a",
}


def name_of(document_format: str) -> str:
    """The name of a document's schema: `fleet-rooms/1` is `fleet-rooms.1`."""
    return document_format.replace("/", ".")


def schema_of(document_format: str) -> Schema:
    """The JSON Schema of a document."""
    members = [member.split(":") for member in DOCUMENTS[document_format].split()]
    properties: Schema = {"format": {"const": document_format}}
    for name, kind in members:
        one: Schema = {"type": TYPES[kind[0]]}
        if kind.startswith("a"):
            one["items"] = {}
        properties[name] = {"anyOf": [one, {"type": "null"}]} if kind.endswith("?") else one
    return {
        "type": "object",
        "title": document_format,
        "properties": properties,
        "required": sorted(properties),
        "additionalProperties": True,
    }
