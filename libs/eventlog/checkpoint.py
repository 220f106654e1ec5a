"""A checkpoint: the hub's signed word on how far the feed has come and what stands in it; and a branch's word beside it.

The bytes are kept exactly as signed. Whoever holds two checkpoints of one epoch can tell, alone and offline, that
the hub said two things. Must never decide what follows from that.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Sequence
from typing import Annotated, Literal

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from eventlog.envelope import Forged, Malformed
from eventlog.event import Hash
from eventlog.keys import key_id
from eventlog.tree import LARGEST_SIZE

CHECKPOINT_CONTEXT = b"filltrail/checkpoint/1"
COSIGNATURE_CONTEXT = b"filltrail/cosignature/1"
LARGEST_CHECKPOINT_BYTES = 2048
MOST_PROOF_HASHES = 128  # twice the bits of a position

KeyId = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{16}$")]
Signature = Annotated[str, StringConstraints(max_length=128)]
Proof = Annotated[tuple[Hash, ...], Field(max_length=MOST_PROOF_HASHES)]


class _Document(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Checkpoint(_Document):
    """The feed of `epoch` up to `position`: its tree has that many leaves and this root. Times are for people."""

    v: Literal[1] = 1
    epoch: Annotated[str, StringConstraints(min_length=1, max_length=64)]
    position: Annotated[int, Field(ge=0, le=LARGEST_SIZE)]
    root: Hash
    feed_hash: Hash
    hub_time: AwareDatetime
    key_id: KeyId

    @property
    def words(self) -> str:
        """As a person compares two of them."""
        return f"position {self.position} of epoch {self.epoch}, root {self.root[:16]}"


class SignedCheckpoint(_Document):
    """The bytes as text (they are UTF-8 JSON) and the hub's signature over them, as base64."""

    raw: Annotated[str, StringConstraints(max_length=LARGEST_CHECKPOINT_BYTES)]
    signature: Signature


class Cosignature(_Document):
    """A branch's word: its own copy of the feed gives the same root and hash at that position."""

    node: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9-]{0,62}$")]
    key_id: KeyId
    signature: Signature


class WitnessedCheckpoint(_Document):
    """GET /v1/checkpoints/latest: a checkpoint, and who has found the same."""

    checkpoint: SignedCheckpoint
    cosignatures: tuple[Cosignature, ...] = ()


class Cosigning(_Document):
    """POST /v1/nodes/{node}/cosignatures: which checkpoint, and the signature over its bytes."""

    epoch: Annotated[str, StringConstraints(min_length=1, max_length=64)]
    position: Annotated[int, Field(ge=0, le=LARGEST_SIZE)]
    root: Hash
    key_id: KeyId
    signature: Signature


class Cosigned(_Document):
    """The hub has kept it; so many nodes have cosigned this checkpoint."""

    position: int
    cosignatures: int


class ConsistencyProof(_Document):
    """GET /v1/checkpoints/consistency: by RFC 9162, 2.1.4, that the tree at `second` begins with the tree at `first`."""

    epoch: str
    first: int
    second: int
    first_root: Hash
    second_root: Hash
    proof: Proof


class InclusionProof(_Document):
    """GET /v1/checkpoints/inclusion: by RFC 9162, 2.1.3, that the envelope of this hash stands at `position`."""

    epoch: str
    position: int
    size: int
    envelope_hash: Hash
    root: Hash
    proof: Proof


def sign_checkpoint(checkpoint: Checkpoint, key: Ed25519PrivateKey) -> SignedCheckpoint:
    """Write it in one canonical form and sign that. Raises ValueError when it names another key."""
    if checkpoint.key_id != key_id(key.public_key()):
        raise ValueError("a checkpoint is signed by the key that it names")
    raw = json.dumps(
        checkpoint.model_dump(mode="json"), ensure_ascii=False, sort_keys=True, separators=(",", ":")
    )
    return SignedCheckpoint(raw=raw, signature=_text(key.sign(CHECKPOINT_CONTEXT + raw.encode())))


def read_checkpoint(signed: SignedCheckpoint, key: Ed25519PublicKey) -> Checkpoint:
    """What the holder of `key` signed. Raises Forged when it was not, Malformed when it is no checkpoint."""
    _check(signed.signature, CHECKPOINT_CONTEXT + signed.raw.encode(), key)
    found = parse_checkpoint(signed)
    if found.key_id != key_id(key):
        raise Malformed("the checkpoint names another key than it is signed with")
    return found


def parse_checkpoint(signed: SignedCheckpoint) -> Checkpoint:
    """What it says, whoever signed it. Raises Malformed."""
    try:
        return Checkpoint.model_validate_json(signed.raw)
    except ValidationError as wrong:
        raise Malformed(f"not a checkpoint: {wrong.error_count()} members are wrong") from None


def cosign(signed: SignedCheckpoint, node: str, key: Ed25519PrivateKey) -> Cosignature:
    """A node's word beside the hub's, over the same bytes."""
    signature = _text(key.sign(COSIGNATURE_CONTEXT + signed.raw.encode()))
    return Cosignature(node=node, key_id=key_id(key.public_key()), signature=signature)


def check_cosignature(signed: SignedCheckpoint, cosignature: Cosignature, key: Ed25519PublicKey) -> None:
    """Raise Forged unless the holder of `key` cosigned exactly these bytes."""
    if cosignature.key_id != key_id(key):
        raise Forged("the cosignature names another key")
    _check(cosignature.signature, COSIGNATURE_CONTEXT + signed.raw.encode(), key)


def contradiction(one: Checkpoint, other: Checkpoint) -> str | None:
    """How two checkpoints of one hub exclude each other, as far as the two alone can tell; None when they do not.

    Of different positions only a proof (or the log itself) can say whether one continues the other.
    """
    if one.epoch != other.epoch or one.position != other.position:
        return None
    differing = [
        words
        for words, is_same in (
            ("root", one.root == other.root),
            ("cumulative hash", one.feed_hash == other.feed_hash),
        )
        if not is_same
    ]
    if not differing:
        return None
    return f"position {one.position} of epoch {one.epoch} has two {' and two '.join(_many(d) for d in differing)}"


def hex_all(hashes: Sequence[bytes]) -> tuple[str, ...]:
    """The wire form of a proof."""
    return tuple(one.hex() for one in hashes)


def _many(words: str) -> str:
    return f"{words}es" if words.endswith("sh") else f"{words}s"


def _text(signature: bytes) -> str:
    return base64.b64encode(signature).decode()


def _check(signature: str, message: bytes, key: Ed25519PublicKey) -> None:
    try:
        key.verify(base64.b64decode(signature, validate=True), message)
    except (InvalidSignature, binascii.Error, ValueError):
        raise Forged("the signature does not match the checkpoint") from None
