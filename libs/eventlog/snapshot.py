"""A ready file of the feed: every fact up to a position, packed, and the hub's signed word on what the file is.

For a node that begins with nothing. Its lines are the items of the feed's own pages; `walk` follows the cumulative
hash over the whole file, `pages` gives it out as the feed would. Must never be believed beyond what was walked.
"""

from __future__ import annotations

import base64
import binascii
import datetime as dt
import gzip
import hashlib
import json
import zlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Annotated, Literal
from uuid import UUID

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from eventlog.envelope import Forged, Malformed
from eventlog.event import NO_HASH, Hash
from eventlog.feed import Cursor, next_feed_hash
from eventlog.keys import key_id
from eventlog.wire import FeedItem, FeedPage

SNAPSHOT_CONTEXT = b"filltrail/snapshot/1"
LARGEST_MANIFEST_BYTES = 2048
LARGEST_FILE_BYTES = 4 * 1024**3
LARGEST_UNPACKED_BYTES = 64 * 1024**3
LARGEST_LINE_BYTES = 512 * 1024
"""An envelope is at most 64 KiB, and each of its signs may be escaped."""
_CHUNK_BYTES = 1024 * 1024


class SnapshotRefused(Exception):
    """The file is not what the hub signed, or does not lead where it says. `reason` says how; the feed itself is read."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class _Document(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Manifest(_Document):
    """What a ready file is: the feed of `epoch` up to `position`, in so many bytes of this SHA-256."""

    v: Literal[1] = 1
    epoch: Annotated[str, StringConstraints(min_length=1, max_length=64)]
    position: Annotated[int, Field(ge=1, le=2**62)]
    feed_hash: Hash
    bytes: Annotated[int, Field(ge=1, le=LARGEST_FILE_BYTES)]
    unpacked_bytes: Annotated[int, Field(ge=1, le=LARGEST_UNPACKED_BYTES)]
    sha256: Hash
    made_at: AwareDatetime
    key_id: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{16}$")]


class SignedManifest(_Document):
    """GET /v1/snapshots/latest: the bytes as text (they are UTF-8 JSON) and the hub's signature over them, as base64."""

    raw: Annotated[str, StringConstraints(max_length=LARGEST_MANIFEST_BYTES)]
    signature: Annotated[str, StringConstraints(max_length=128)]


class ClaimedMarks(_Document):
    """One reading of the marks on a cylinder."""

    serial: str
    maker: str
    spec: str
    first_test: str


class HeldAgainst(_Document):
    """One block as it stood at the file's position: which fact, where in the feed, who said it, and in words."""

    id: UUID
    position: Annotated[int, Field(ge=0)]
    kind: str
    words: str
    reason: str
    node: str
    actor: str
    performed_on: dt.date
    at: AwareDatetime


class BlockedCylinder(_Document):
    """A cylinder that was stopped at the file's position."""

    cylinder_id: UUID
    marks: tuple[ClaimedMarks, ...]
    held: Annotated[tuple[HeldAgainst, ...], Field(min_length=1)]


class BlockedList(_Document):
    """GET /v1/snapshots/{sha256}/blocked: every cylinder that was stopped there. Read before the file, shown as a stop."""

    sha256: Hash
    epoch: str
    position: Annotated[int, Field(ge=1)]
    cylinders: tuple[BlockedCylinder, ...]


def sign_manifest(manifest: Manifest, key: Ed25519PrivateKey) -> SignedManifest:
    """Write it in one canonical form and sign that. Raises ValueError when it names another key."""
    if manifest.key_id != key_id(key.public_key()):
        raise ValueError("a manifest is signed by the key that it names")
    raw = json.dumps(
        manifest.model_dump(mode="json"), ensure_ascii=False, sort_keys=True, separators=(",", ":")
    )
    signature = base64.b64encode(key.sign(SNAPSHOT_CONTEXT + raw.encode())).decode()
    return SignedManifest(raw=raw, signature=signature)


def read_manifest(signed: SignedManifest, key: Ed25519PublicKey) -> Manifest:
    """What the holder of `key` signed. Raises Forged when it was not, Malformed when it is no manifest."""
    try:
        key.verify(base64.b64decode(signed.signature, validate=True), SNAPSHOT_CONTEXT + signed.raw.encode())
    except (InvalidSignature, binascii.Error, ValueError):
        raise Forged("the signature does not match the manifest") from None
    return parse_manifest(signed)


def parse_manifest(signed: SignedManifest) -> Manifest:
    """What it says, whoever signed it. Raises Malformed."""
    try:
        return Manifest.model_validate_json(signed.raw)
    except ValidationError as wrong:
        raise Malformed(f"not a manifest: {wrong.error_count()} members are wrong") from None


def check_bytes(path: Path, manifest: Manifest) -> None:
    """Raises SnapshotRefused unless the file has the size and the SHA-256 that the hub signed."""
    size = path.stat().st_size
    if size != manifest.bytes:
        raise SnapshotRefused(f"the file has {size} bytes, the hub signed {manifest.bytes}")
    whole = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK_BYTES):
            whole.update(chunk)
    if whole.hexdigest() != manifest.sha256:
        raise SnapshotRefused("the file has another digest than the hub signed")


def walk(
    path: Path,
    manifest: Manifest,
    cursor: Cursor,
    items_a_page: int,
    *,
    between: Callable[[], None] = lambda: None,
) -> tuple[str, ...]:
    """Follow the chain over the whole file; gives the cumulative hash at the end of each page after `cursor`.

    `between` is called before each page of the file, and ends the walk by what it raises.
    Raises SnapshotRefused unless each position follows the one before, the cumulative hashes at the cursor and at the
    end are those that are due, and nothing follows.
    """
    before, due, ends = NO_HASH, 1, list[str]()
    for item in _items(path, manifest):
        if (due - 1) % items_a_page == 0:
            between()
        if item.position != due:
            raise SnapshotRefused(f"position {item.position} where {due} was due")
        if due - 1 == cursor.position and before != cursor.feed_hash:
            raise SnapshotRefused(f"the file has another feed than this node at position {cursor.position}")
        try:
            before = next_feed_hash(before, item.sealed().hash)
        except ValueError:
            raise SnapshotRefused(f"position {due}: its signature is not base64") from None
        if due > cursor.position and (
            due == manifest.position or (due - cursor.position) % items_a_page == 0
        ):
            ends.append(before)
        due += 1
    if due - 1 != manifest.position:
        raise SnapshotRefused(f"the file ends at position {due - 1}, the hub signed {manifest.position}")
    if before != manifest.feed_hash:
        raise SnapshotRefused("the facts in the file do not lead to the cumulative hash that the hub signed")
    return tuple(ends)


def pages(
    path: Path, manifest: Manifest, cursor: Cursor, ends: Sequence[str], items_a_page: int
) -> Iterator[FeedPage]:
    """The file after `cursor` as pages of the feed, each with the hash that `walk` found at its end.

    None of them reaches the head: what stands in a file was heard when it was made, and news is heard from the hub.
    Raises SnapshotRefused when the file cannot be read any more.
    """
    held: list[FeedItem] = []
    after, numbers = cursor.position, iter(ends)
    for item in _items(path, manifest):
        if item.position <= cursor.position:
            continue
        held.append(item)
        if len(held) == items_a_page or item.position == manifest.position:
            yield FeedPage(
                epoch=manifest.epoch,
                after=after,
                head=manifest.position + 1,
                items=tuple(held),
                feed_hash=next(numbers, NO_HASH),
                hub_time=manifest.made_at,
            )
            after, held = item.position, []


def _items(path: Path, manifest: Manifest) -> Iterator[FeedItem]:
    """Line by line, and never more unpacked than the hub signed: a small file may be a large one packed."""
    unpacked = 0
    try:
        with gzip.open(path, "rb") as file:
            while line := file.readline(LARGEST_LINE_BYTES):
                unpacked += len(line)
                if unpacked > manifest.unpacked_bytes:
                    raise SnapshotRefused("the file unpacks to more than the hub signed")
                yield FeedItem.model_validate_json(line)
    except ValidationError:
        raise SnapshotRefused("a line of the file is no fact of the feed") from None
    except (gzip.BadGzipFile, EOFError, zlib.error) as wrong:
        raise SnapshotRefused(f"the file cannot be unpacked: {type(wrong).__name__}") from None
