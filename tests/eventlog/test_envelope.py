"""What is signed, what is read back, and what is refused."""

from __future__ import annotations

import datetime as dt
import json
import uuid

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given
from hypothesis import strategies as st
from pydantic import JsonValue

from eventlog import Effect, Event, Forged, Malformed, Place, Sealed, Seen, read, seal, verify
from eventlog.envelope import LARGEST_ENVELOPE_BYTES
from eventlog.keys import key_id

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
AT = dt.datetime(2026, 6, 14, 9, 41, 30, 125_000, dt.UTC)
INC = uuid.UUID("5b0c9d1e-8a57-4f6b-9c3d-2e1f0a9b8c7d")


def event(**changes: object) -> Event:
    given: dict[str, object] = {
        "id": uuid.UUID("01976d4e-9f00-7abc-8def-0123456789ab"),
        "kind": "cylinder.condemned",
        "v": 1,
        "effect": Effect.BLOCK,
        "subject": "cylinder/0b6b0f4e-3f0e-4a7e-9d55-6a1d2f3c4b5a",
        "body": {"reason": "Crack in the neck", "depth_mm": 1.5, "sûr": True},
        "performed_on": AT.date(),
        "at": AT,
        "seen": Seen(epoch="e1", position=41, feed_hash="ab" * 32),
        "actor": "staff-1",
        "role": "inspector",
        "software": "filltrail-0.1.0",
        "diver_ref": "d-0001-ana",
        "clears": (uuid.UUID("01976d4e-0000-7000-8000-000000000001"),),
    }
    return Event.model_validate(given | changes)


def place(seq: int = 7, prev: str = "cd" * 32) -> Place:
    return Place(node="reef-road", key_id=key_id(KEY.public_key()), inc=INC, seq=seq, prev=prev)


def sealed(**changes: object) -> Sealed:
    return seal(event(**changes), place(), recorded_at=AT, key=KEY)


def test_what_was_sealed_is_read_back() -> None:
    found = read(sealed().raw)
    assert (found.event, found.place, found.recorded_at) == (event(), place(), AT)


def test_the_document_is_a_cloudevent_with_the_official_extensions() -> None:
    document = json.loads(sealed().raw)
    # CloudEvents 1.0.2: required attributes, and attribute names of lower-case letters and digits.
    assert {"specversion", "id", "source", "type"} <= document.keys()
    assert all(name.isascii() and name.isalnum() and name == name.lower() for name in document)
    assert (document["specversion"], document["source"]) == ("1.0", "/nodes/reef-road")
    # The `sequence` extension is a string whose lexicographic order is the order of the events.
    assert document["sequence"] == "0000000000000007"
    assert document["recordedtime"] == "2026-06-14T09:41:30.125000+00:00"


def test_the_holder_of_the_key_is_believed() -> None:
    verify(sealed(), KEY.public_key())


@pytest.mark.parametrize("at", [0, 1, 100, -1])
def test_one_changed_byte_is_a_forgery(at: int) -> None:
    right = sealed()
    raw = bytearray(right.raw)
    raw[at] ^= 1
    with pytest.raises(Forged):
        verify(Sealed(bytes(raw), right.signature), KEY.public_key())


@pytest.mark.parametrize("signature", [b"", b"\0" * 64, b"\0" * 63, b"\xff" * 65])
def test_another_signature_is_a_forgery(signature: bytes) -> None:
    with pytest.raises(Forged):
        verify(Sealed(sealed().raw, signature), KEY.public_key())


def test_another_key_is_a_forgery() -> None:
    with pytest.raises(Forged):
        verify(sealed(), Ed25519PrivateKey.generate().public_key())


def test_a_signature_over_the_bytes_alone_is_a_forgery() -> None:
    # Without its context a signature could be carried over from another kind of document.
    raw = sealed().raw
    with pytest.raises(Forged):
        verify(Sealed(raw, KEY.sign(raw)), KEY.public_key())


def test_a_fact_larger_than_the_limit_is_not_sealed() -> None:
    with pytest.raises(Malformed):
        sealed(body={"note": "x" * LARGEST_ENVELOPE_BYTES})


CHANGES: list[tuple[str, JsonValue]] = [
    ("specversion", "0.3"),
    ("id", "not a uuid"),
    ("source", "reef-road"),
    ("type", "cylinder.condemned"),
    ("type", "cylinder.condemned.v0"),
    ("type", "cylinder.condemned.vx"),
    ("type", "CYLINDER.v1"),
    ("subject", "a cylinder"),
    ("effect", "bless"),
    ("data", "text"),
    ("data", None),
    ("time", "2026-06-14T09:41:30"),
    # Aware, but before the first or after the last moment that UTC can name.
    ("time", "0001-01-01T00:00:00+14:00"),
    ("time", "9999-12-31T23:59:59-12:00"),
    ("recordedtime", "2026-06-14T09:41:30"),
    ("recordedtime", "0001-01-01T00:00:00+14:00"),
    ("performedon", "2026-13-01"),
    ("sequence", "0"),
    ("sequence", 7),
    ("sequence", "-7"),
    ("seenposition", "-1"),
    ("seenhash", "ab"),
    ("inc", "x"),
    ("clears", "not-a-uuid"),
    ("actor", "Ana Duarte"),
    ("diverref", {"name": "Ana"}),
]


@pytest.mark.parametrize(("name", "value"), CHANGES)
def test_a_wrong_attribute_is_malformed(name: str, value: JsonValue) -> None:
    document = json.loads(sealed().raw) | {name: value}
    with pytest.raises(Malformed):
        read(json.dumps(document).encode())


@pytest.mark.parametrize(
    "name", ["specversion", "id", "source", "type", "effect", "data", "sequence", "inc", "prev", "keyid"]
)
def test_a_missing_attribute_is_malformed(name: str) -> None:
    document = json.loads(sealed().raw)
    del document[name]
    with pytest.raises(Malformed):
        read(json.dumps(document).encode())


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_malformed(raw: bytes) -> None:
    with pytest.raises(Malformed):
        read(raw)


NAMES = sorted(json.loads(sealed().raw))
SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=40)
VALUES = st.recursive(
    SCALARS, lambda more: st.lists(more, max_size=3) | st.dictionaries(st.text(max_size=5), more, max_size=3), max_leaves=6
)  # fmt: skip


@given(st.dictionaries(st.sampled_from(NAMES), VALUES, min_size=1, max_size=4))
def test_any_values_are_read_or_malformed(changes: dict[str, JsonValue]) -> None:
    raw = json.dumps(json.loads(sealed().raw) | changes).encode()
    _read_or_malformed(raw)


@given(st.integers(min_value=0), st.integers(min_value=0, max_value=255))
def test_any_changed_byte_is_read_or_malformed(at: int, value: int) -> None:
    raw = bytearray(sealed().raw)
    raw[at % len(raw)] = value
    _read_or_malformed(bytes(raw))


@pytest.mark.parametrize(
    "raw", [b"[" * 50_000, b'{"a":' * 12_000, b"1" * 60_000, b'{"specversion":1e999}', b"NaN"]
)
def test_what_would_tire_a_parser_is_malformed(raw: bytes) -> None:
    with pytest.raises(Malformed):
        read(raw)


def _read_or_malformed(raw: bytes) -> None:
    """Anything that `read` raises beside Malformed fails the test; what it reads can be looked at."""
    try:
        found = read(raw)
    except Malformed:
        return
    for moment in (found.event.at, found.recorded_at):
        assert moment.astimezone(dt.UTC) == moment
