"""Envelopes as they were stored once must be read for ever. Files here are added, never edited."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

import pytest
from pydantic import BaseModel

from eventlog import Sealed, read, verify
from eventlog.keys import public_key

FOLDER = Path(__file__).parent / "golden"


class Golden(BaseModel):
    """One stored envelope with everything that was true of it when it was added."""

    about: str
    public_key: str
    raw: str
    signature: str
    hash: str
    kind: str
    v: int
    effect: str
    seq: int
    clears: int
    diver_ref: str | None


def files() -> list[Path]:
    return sorted(FOLDER.glob("*.json"))


@pytest.mark.parametrize("path", files(), ids=lambda path: path.stem)
def test_a_stored_envelope_is_still_read_and_believed(path: Path) -> None:
    golden = Golden.model_validate_json(path.read_bytes())
    sealed = Sealed(golden.raw.encode(), base64.b64decode(golden.signature))
    verify(sealed, public_key(golden.public_key))
    found = read(sealed.raw)
    assert sealed.hash == golden.hash == hashlib.sha256(golden.raw.encode()).hexdigest()
    assert (found.event.kind, found.event.v, found.event.effect) == (golden.kind, golden.v, golden.effect)
    assert (found.place.seq, len(found.event.clears), found.event.diver_ref) == (
        golden.seq,
        golden.clears,
        golden.diver_ref,
    )


def test_there_are_golden_files() -> None:
    assert len(files()) >= 3
