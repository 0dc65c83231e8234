"""Verifying a snapshot's file, by itself: no daemon, no database, no venue. Whatever the file holds, this returns."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from cryptography.x509 import Certificate
from pydantic import ValidationError

from fleet.errors import BadInput
from fleet.faces import snapshot_documents
from fleet.faces.documents import Document
from fleet.faces.proof.entries import fault_of_shape, first_wrong
from fleet.faces.proof.keys import fingerprint, is_public_key, signed_by
from fleet.faces.proof.stamps import check_stamp
from fleet.faces.proof.times import in_utc
from fleet.model.audit import AuditHead
from fleet.model.canonical import parsed
from fleet.model.edge import adapter, digest
from fleet.model.names import shown
from fleet.model.sealing import FORMAT, FORMAT_1, statement, witness_statement
from fleet.model.snapshot import NEVER_CHECKED

Result = Literal["right", "wrong", "not checked"]

RESIGN: Final = (
    "Whoever holds the signing key could have made and signed another snapshot in this one's place. Only a witness"
    " outside speaks against that: a hash that somebody countersigned and kept, or a time stamp."
)
OWN_KEY: Final = (
    "The signature was checked against the key inside of the file alone: that shows that the file is in one piece, and"
    " not whose it is. Anyone can make a key. Give the venue's key with --key (`fleet snapshot key` exports it)."
)
STAMPED: Final = "The time stamp shows that this very hash was there at that time; so nobody made it later."


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One thing that was looked at, and what came of it."""

    name: str
    result: Result
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """All that can be said of a file. `document` is what it holds, where that can be read at all."""

    checks: tuple[Check, ...]
    document: Document | None = None
    audit: AuditHead | None = None
    not_checked: tuple[str, ...] = NEVER_CHECKED
    caveats: tuple[str, ...] = ()

    @property
    def right(self) -> bool:
        """Whether nothing is wrong, and it is signed."""
        return all(check.result != "wrong" for check in self.checks)


def verify(data: bytes, *, key: str | None = None, certificates: Sequence[Certificate] = ()) -> Verdict:
    """Look at a snapshot's file; `key` is the venue's public key as hex.

    Raises `BadInput` for what is no snapshot, or one of a format that this release does not know.
    """
    try:
        document = parsed(data)
    except ValueError as error:
        return Verdict(checks=(Check(name="hash", result="wrong", words=_unreadable(data, error)),))
    form = document.get("format") if isinstance(document, dict) else None
    if form == FORMAT_1:
        return _of_format_1(data, document)
    if form != FORMAT:
        said = f"it has format {shown(str(form))!r}" if form is not None else "it names no format"
        raise BadInput(
            f"this is no snapshot that this release can read: {said}", remedy=f"It reads {FORMAT} and {FORMAT_1}."
        )
    if words := fault_of_shape(document) or first_wrong(document) or _fault_of_form(data, document):
        hashes = Check(name="hash", result="wrong", words=words)
    else:
        hashes = Check(name="hash", result="right", words=f"sha256 {document['sha256']}")
    if fault_of_shape(document):
        return Verdict(checks=(hashes,), document=document)
    witnesses = tuple(_witnesses(document, tuple(certificates)))
    stamped = any(check.name == "time stamp" and check.result == "right" for check in witnesses)
    checks = (hashes, _signature(document), _key(document, key), *witnesses)
    signed = document["signature"] is not None
    caveats = [OWN_KEY] if key is None and signed else []
    return Verdict(
        checks=checks,
        document=document,
        audit=_audit(document["body"]),
        not_checked=_not_checked(document["body"]),
        caveats=(*caveats, STAMPED if stamped else RESIGN),
    )


def _unreadable(data: bytes, error: ValueError) -> str:
    if not data.rstrip().endswith(b"}"):
        return "it ends in the middle: it was cut short"
    if isinstance(error, UnicodeDecodeError):
        return f"it was altered: byte {error.start} is no UTF-8"
    if isinstance(error, json.JSONDecodeError):
        return f"it was altered: at character {error.pos} it is no JSON any more"
    return f"it was altered: {error}"


def _of_format_1(data: bytes, document: Document) -> Verdict:
    """What earlier releases exported: one hash over the body, and no signature."""
    plain = json.loads(data)  # that format had numbers as they came
    body, sha256 = plain.get("body"), plain.get("sha256")
    try:
        right = plain.keys() == {"format", "id", "sha256", "body"} and digest(body) == sha256
        right = right and snapshot_documents.text(plain) == data
    except ValueError:
        right = False
    words = f"sha256 {sha256}" if right else "the body or its hash was altered, or put in another form"
    unsigned = f"{FORMAT_1} has no signature: anyone could have made it"
    return Verdict(
        checks=(
            Check(name="hash", result="right" if right else "wrong", words=words),
            Check(name="signature", result="wrong", words=unsigned),
        ),
        document=document if isinstance(body, dict) else None,
        caveats=("The id is not covered by the hash, and there is no head of the audit log in it.",),
    )


def _fault_of_form(data: bytes, document: Document) -> str:
    try:
        same = snapshot_documents.text(document) == data
    except ValueError:
        same = False
    return "" if same else "it is not in canonical form: it was altered, or written anew by another program"


def _signature(document: Document) -> Check:
    signature, named = document["signature"], document["body"].get("key_sha256")
    if signature is None:
        words = "it has no signature: anyone could have made it"
        return Check(name="signature", result="wrong", words="its signature is missing" if named else words)
    public_key = signature["public_key"]
    if not is_public_key(public_key):
        return Check(name="signature", result="wrong", words="its public key is none")
    if not signed_by(public_key, signature["signature"], statement(str(document["sha256"]))):
        words = "the signature is not of this hash and by the key in the file"
        return Check(name="signature", result="wrong", words=words)
    if fingerprint(public_key) != named:
        words = "it was signed with another key than the one that it says"
        return Check(name="signature", result="wrong", words=words)
    return Check(name="signature", result="right", words=f"by the key {named}")


def _key(document: Document, key: str | None) -> Check:
    held = document["signature"]["public_key"] if document["signature"] is not None else ""
    if key is None:
        return Check(name="key", result="not checked", words="no key was given to hold it against")
    if held == key:
        return Check(name="key", result="right", words="it is the key that was given")
    given = fingerprint(key)
    return Check(
        name="key",
        result="wrong",
        words=f"it was not signed with the key that was given ({given}): it is another venue's, or somebody made it",
    )


def _witnesses(document: Document, certificates: tuple[Certificate, ...]) -> Iterator[Check]:
    signature = document["signature"]
    public_key = signature["public_key"] if signature is not None else ""
    for witness in document["witnesses"]:
        name = "time stamp" if witness["kind"] == "time stamp" else "witness"
        who, at = shown(str(witness["name"]), 100), in_utc(witness["at"])
        if signature is not None and not _is_signed(public_key, witness):
            yield Check(name=name, result="wrong", words=f"what is said of {who} was altered or added")
        elif witness["sha256"] != document["sha256"]:
            yield Check(name=name, result="wrong", words=f"{who} had another hash")
        elif name == "time stamp":
            yield _stamp(document, witness, who, certificates)
        else:
            by = shown(str(witness["recorded_by"]))
            note = f" ({shown(str(witness['note']), 200)})" if witness["note"] else ""
            words = f"{who}{note}, written down {at} by {by}: hold the hash against what {who} signed"
            yield Check(name=name, result="not checked", words=words)


def _is_signed(public_key: object, witness: Document) -> bool:
    try:
        said = witness_statement(witness)
    except ValueError:
        return False
    return is_public_key(public_key) and signed_by(str(public_key), witness["signature"], said)


def _stamp(document: Document, witness: Document, who: str, certificates: tuple[Certificate, ...]) -> Check:
    checked = check_stamp(witness["token"], statement(str(document["sha256"])), certificates)
    if checked.fault or checked.at is None:
        return Check(name="time stamp", result="wrong", words=f"{who}: {checked.fault}")
    at = in_utc(checked.at)
    if checked.by_service is None:
        words = f"{who} says {at}; give the service's certificate with --tsa-certificate to check that it was there"
        return Check(name="time stamp", result="not checked", words=words)
    return Check(name="time stamp", result="right", words=f"{who} had this hash at {at}")


def _audit(body: Document) -> AuditHead | None:
    try:
        head: AuditHead | None = adapter(AuditHead).validate_python(body.get("audit"))
    except ValidationError:
        return None
    return head


def _not_checked(body: Document) -> tuple[str, ...]:
    said = body.get("not_checked")
    fixed = tuple(shown(str(line), 300) for line in said) if isinstance(said, list) and said else NEVER_CHECKED
    scope = (f"It holds {shown(str(body['scope']), 200)}; everything else was left out.",) if body.get("scope") else ()
    missing = [one for one in body["not_read"] if isinstance(one, dict)]
    return (*fixed, *scope, *(_missing_words(one) for one in missing))


def _missing_words(one: Document) -> str:
    place = "/".join(shown(str(one.get(name, ""))) for name in ("room", "position") if one.get(name))
    device = shown(str(one.get("device", "")))
    return f"Not read: {device}{f' ({place})' if place else ''}: {shown(str(one.get('words', '')), 200)}"
