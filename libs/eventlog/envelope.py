"""An event in its place in one node's log, as CloudEvents 1.0 JSON, and the signature over those bytes.

The bytes are stored exactly as signed and are never serialised again to verify. The extension
attributes `sequence` and `recordedtime` are the official ones of CloudEvents; the rest are ours, in the
lower-case names that the specification asks for.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from dataclasses import dataclass
from uuid import UUID

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from pydantic import ValidationError

from eventlog.event import NO_HASH, Effect, Event, Seen

SIGNATURE_CONTEXT = b"filltrail/env/1"
LARGEST_ENVELOPE_BYTES = 64 * 1024  # CloudEvents 1.0 asks intermediaries to carry 64 KiB; we go no further.
_SEQUENCE_DIGITS = 16  # `sequence` is a string in lexicographic order, so it is padded.


class Malformed(Exception):
    """The bytes are not an envelope of ours."""


class Forged(Exception):
    """The signature does not belong to these bytes and this key."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where an event stands: node, key, incarnation of the node's log, number in it, hash of the one before."""

    node: str
    key_id: str
    inc: UUID
    seq: int
    prev: str = NO_HASH


@dataclass(frozen=True, slots=True)
class Envelope:
    """An event, its place, and when the node wrote it down (UTC)."""

    place: Place
    recorded_at: dt.datetime
    event: Event


@dataclass(frozen=True, slots=True)
class Sealed:
    """The signed bytes of one envelope and the Ed25519 signature over them."""

    raw: bytes
    signature: bytes

    @property
    def hash(self) -> str:
        """SHA-256 of the envelope bytes, hex; the next envelope carries it as `prev`."""
        return hashlib.sha256(self.raw).hexdigest()


def seal(event: Event, place: Place, *, recorded_at: dt.datetime, key: Ed25519PrivateKey) -> Sealed:
    """Write `event` at `place` and sign it. Raises Malformed when it would be larger than 64 KiB."""
    raw = json.dumps(
        _document(event, place, recorded_at), ensure_ascii=False, sort_keys=True, separators=(",", ":")
    ).encode()
    if len(raw) > LARGEST_ENVELOPE_BYTES:
        raise Malformed(f"the fact is {len(raw)} bytes long; {LARGEST_ENVELOPE_BYTES} is the limit")
    return Sealed(raw=raw, signature=key.sign(SIGNATURE_CONTEXT + raw))


def verify(sealed: Sealed, key: Ed25519PublicKey) -> None:
    """Raise Forged unless `sealed` was signed by the holder of `key`."""
    try:
        key.verify(sealed.signature, SIGNATURE_CONTEXT + sealed.raw)
    except InvalidSignature:
        raise Forged("the signature does not match the envelope") from None


def read(raw: bytes) -> Envelope:
    """Parse envelope bytes. Raises Malformed with the reason; never anything else."""
    if len(raw) > LARGEST_ENVELOPE_BYTES:
        raise Malformed(f"an envelope of {len(raw)} bytes is larger than {LARGEST_ENVELOPE_BYTES}")
    try:
        found = json.loads(raw)
        if not isinstance(found, dict) or found["specversion"] != "1.0":
            raise Malformed("not a CloudEvents 1.0 document")
        return _envelope(found)
    except Malformed:
        raise
    except ValidationError as wrong:
        raise Malformed(f"not an envelope: {wrong.errors(include_url=False, include_input=False)}") from None
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as wrong:
        raise Malformed(f"not an envelope: {type(wrong).__name__}: {wrong}") from None


def _document(event: Event, place: Place, recorded_at: dt.datetime) -> dict[str, object]:
    document: dict[str, object] = {
        "specversion": "1.0",
        "id": str(event.id),
        "source": f"/nodes/{place.node}",
        "type": f"{event.kind}.v{event.v}",
        "subject": event.subject,
        "time": event.at.astimezone(dt.UTC).isoformat(),
        "datacontenttype": "application/json",
        "sequence": f"{place.seq:0{_SEQUENCE_DIGITS}d}",
        "recordedtime": recorded_at.astimezone(dt.UTC).isoformat(),
        "effect": event.effect.value,
        "performedon": event.performed_on.isoformat(),
        "seenepoch": event.seen.epoch,
        "seenposition": str(event.seen.position),
        "seenhash": event.seen.feed_hash,
        "actor": event.actor,
        "actorrole": event.role,
        "software": event.software,
        "keyid": place.key_id,
        "inc": str(place.inc),
        "prev": place.prev,
        "data": event.body,
    }
    if event.diver_ref is not None:
        document["diverref"] = event.diver_ref
    if event.clears:
        document["clears"] = " ".join(str(block_id) for block_id in event.clears)
    return document


def _envelope(found: dict[str, object]) -> Envelope:
    source = _text(found, "source")
    if not source.startswith("/nodes/"):
        raise Malformed(f"source {source!r} names no node")
    kind, _, version = _text(found, "type").rpartition(".v")
    clears = _text(found, "clears").split() if "clears" in found else []
    event = Event.model_validate(
        {
            "id": _text(found, "id"),
            "kind": kind,
            "v": int(version),
            "effect": Effect(_text(found, "effect")),
            "subject": _text(found, "subject"),
            "body": found["data"],
            "performed_on": _text(found, "performedon"),
            "at": _text(found, "time"),
            "seen": Seen(
                epoch=_text(found, "seenepoch"),
                position=int(_text(found, "seenposition")),
                feed_hash=_text(found, "seenhash"),
            ),
            "actor": _text(found, "actor"),
            "role": _text(found, "actorrole"),
            "software": _text(found, "software"),
            "diver_ref": found.get("diverref"),
            "clears": clears,
        }
    )
    seq = int(_text(found, "sequence"))
    if seq < 1:
        raise Malformed(f"sequence {seq} is below 1")
    place = Place(
        node=source.removeprefix("/nodes/"),
        key_id=_text(found, "keyid"),
        inc=UUID(_text(found, "inc")),
        seq=seq,
        prev=_text(found, "prev"),
    )
    recorded_at = dt.datetime.fromisoformat(_text(found, "recordedtime"))
    for name, moment in (("time", event.at), ("recordedtime", recorded_at)):
        if moment.tzinfo is None or not _is_in_utc(moment):
            raise Malformed(f"{name} is not a moment that UTC can name")
    return Envelope(place=place, recorded_at=recorded_at, event=event)


def _is_in_utc(moment: dt.datetime) -> bool:
    """Whether every reader can convert it; at both ends of the calendar an offset leads out of it."""
    try:
        moment.astimezone(dt.UTC)
    except OverflowError:
        return False
    return True


def _text(found: dict[str, object], name: str) -> str:
    value = found[name]
    if not isinstance(value, str):
        raise Malformed(f"{name} is not text")
    return value
