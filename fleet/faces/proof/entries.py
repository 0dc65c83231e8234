"""The entries of a snapshot's file against the hashes that it lists: the first that is wrong, and what became of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

from fleet.model.names import shown
from fleet.model.sealing import device_sha256, head_sha256, not_read_sha256, whole_sha256

MEMBERS: Final = frozenset({"format", "id", "sha256", "body", "entries", "signature", "witnesses"})
WITNESS: Final = frozenset({"kind", "name", "note", "at", "sha256", "recorded_by", "token", "signature"})


def fault_of_shape(document: dict[str, Any]) -> str:
    """What a file of this format has too much, or lacks, in words; nothing where it is as it should be."""
    return _names(document, MEMBERS, "the file") or _fault_of_lists(document) or _fault_of_others(document)


def _fault_of_lists(document: dict[str, Any]) -> str:
    body, entries = document["body"], document["entries"]
    if not isinstance(body, dict) or not all(isinstance(body.get(name), list) for name in ("devices", "not_read")):
        return "its body has no lists of devices"
    if not isinstance(entries, dict):
        return "its hashes of entries are missing"
    if words := _names(entries, frozenset({"head", "devices", "not_read"}), "the list of entries"):
        return words
    if not all(isinstance(entries[name], list) for name in ("devices", "not_read")):
        return "its hashes of entries are missing"
    if document["id"] != body.get("id"):
        return "its id is not the one that was sealed"
    return ""


def _fault_of_others(document: dict[str, Any]) -> str:
    signature, witnesses = document["signature"], document["witnesses"]
    if signature is not None:
        if not isinstance(signature, dict):
            return "its signature is none"
        if words := _names(signature, frozenset({"algorithm", "public_key", "signature"}), "the signature"):
            return words
        if signature["algorithm"] != "Ed25519":
            return f"its signature is of a kind that this release does not know: {shown(str(signature['algorithm']))}"
    if not isinstance(witnesses, list) or not all(isinstance(w, dict) for w in witnesses):
        return "its witnesses are none"
    return next((words for w in witnesses if (words := _names(w, WITNESS, "a witness"))), "")


def first_wrong(document: dict[str, Any]) -> str:
    """The first entry that is not what was sealed, in words; the file's shape is right."""
    body, entries = document["body"], document["entries"]
    if _hash(head_sha256, body) != entries["head"]:
        return "the head matter (venue, time, note and all that stands beside the devices) was altered"
    words = _in_list(body["devices"], entries["devices"], device_sha256, _device, "devices")
    words = words or _in_list(body["not_read"], entries["not_read"], not_read_sha256, _missing, "devices not read")
    if words:
        return words
    if whole_sha256(entries["head"], entries["devices"], entries["not_read"]) != document["sha256"]:
        return (
            "the hash of the whole is another: entries were added, removed or put in another order together with"
            " their hashes, or the hash itself was altered"
        )
    return ""


def _in_list(
    found: Sequence[Any],
    listed: Sequence[Any],
    hash_of: Callable[[object], str],
    name_of: Callable[[Any], str],
    kind: str,
) -> str:
    actual = [_hash(hash_of, one) for one in found]
    for number, (one, sha256) in enumerate(zip(found, actual, strict=True)):
        if number >= len(listed) or sha256 != listed[number]:
            return f"{name_of(one)} {_what_became(number, sha256, actual, listed)}"
    if len(actual) < len(listed):
        return f"it was cut short: it lists {len(listed)} {kind} and holds {len(actual)}"
    return ""


def _what_became(number: int, sha256: str, actual: Sequence[str], listed: Sequence[Any]) -> str:
    """Of the first entry whose hash is not the one in its place."""
    if actual.count(sha256) > max(1, listed.count(sha256)):
        return "stands more than once"
    if number >= len(listed):
        return "was added: there is no hash for it"
    if sha256 not in listed:
        return "was altered: the hash of its entry is another"
    if len(actual) < len(listed) and listed[number] not in actual:
        return "is not in its place: an entry before it is missing"
    return "is not in its place: the entries were put in another order"


def _hash(hash_of: Callable[[Any], str], value: object) -> str:
    """The hash of a value; nothing for what no canonical JSON can hold, which nobody sealed."""
    try:
        return hash_of(value)
    except ValueError:
        return ""


def _device(reported: Any) -> str:
    for part in ("description", "state"):
        if isinstance(reported, dict) and isinstance(reported.get(part), dict) and "id" in reported[part]:
            return f"device {shown(str(reported[part]['id']))}"
    return "a device without an id"


def _missing(entry: Any) -> str:
    device = entry.get("device", "") if isinstance(entry, dict) else ""
    return f"what is said of {shown(str(device)) or 'a device'}, which was not read,"


def _names(members: dict[str, Any], wanted: frozenset[str], whose: str) -> str:
    if lacking := sorted(wanted - members.keys()):
        return f"{whose} has no member {lacking[0]!r}"
    if strange := sorted(members.keys() - wanted):
        return f"{whose} has a member that no snapshot has: {shown(strange[0])!r}"
    return ""
