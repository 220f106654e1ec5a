"""Ready files of the feed for shops that begin with nothing: made, kept, and thrown away.

Owns the folder `snapshots` beside the hub's key: of each file the packed facts, the list of what was stopped, and the
signed manifest, which is written last. Must never sign what it has not read back, or keep more than the last two.
"""

from __future__ import annotations

import asyncio
import base64
import datetime as dt
import fcntl
import gzip
import hashlib
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psycopg
import structlog
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from psycopg_pool import PoolTimeout
from pydantic import ValidationError

from cylinder.standing import Standing
from eventlog.envelope import Malformed
from eventlog.feed import Cursor
from eventlog.keys import key_id
from eventlog.snapshot import (
    BlockedCylinder,
    BlockedList,
    ClaimedMarks,
    HeldAgainst,
    Manifest,
    SignedManifest,
    SnapshotRefused,
    parse_manifest,
    sign_manifest,
    walk,
)
from eventlog.wire import FeedItem
from network.doorbell import Doorbell
from network.projections.cylinders import cylinders
from network.projections.projection import position_of
from network.store.database import Database, Tx
from network.store.pages import FeedHead, Stored, feed_head, page

FOLDER = "snapshots"
LOCK = "lock"
KEPT = 2
MADE_EVERY = dt.timedelta(days=1)
LOOK_EVERY_S = 600.0
FEWEST_FACTS = 1000
"""Of fewer, the background makes no file: the feed's own pages are as quick."""
ROWS_A_TIME = 500
LEFT_FREE_BYTES = 256 * 1024 * 1024
"""The log of the network may live on the same disk. A batch of the largest envelopes is an eighth of it."""
NEVER = 2**62

stopped = "select document from cylinder_standing where not is_clear order by cylinder_id"
hash_at = "select feed_hash from feed where position = %s"
positions_of = "select event_id, position from feed where event_id = any(%s)"

log = structlog.get_logger("snapshots")
Clock = Callable[[], dt.datetime]


class NoSnapshot(Exception):
    """There is nothing to put into a file, what is there does not lead where it should, or this is no time for it."""


@dataclass(frozen=True, slots=True)
class Ready:
    """A file that may be given out."""

    manifest: Manifest
    signed: SignedManifest
    facts: Path
    blocked: Path


def make_snapshot(
    database: Database,
    data: Path,
    key: Ed25519PrivateKey,
    *,
    now: dt.datetime,
    is_stopped: Callable[[], bool] = lambda: False,
) -> Ready:
    """Write everything that is committed and folded as this begins. Raises NoSnapshot, OSError; nothing half is left."""

    def look() -> None:
        if is_stopped():
            raise NoSnapshot("the hub is stopping; the next start makes it")
        free = shutil.disk_usage(folder).free
        if free < LEFT_FREE_BYTES:
            raise NoSnapshot(f"the disk has {free} bytes free, and {LEFT_FREE_BYTES} are left to the rest")

    folder = data / FOLDER
    folder.mkdir(mode=0o700, exist_ok=True)
    with _alone(folder):
        return _make(database, folder, key, now, look)


def newest(tx: Tx, data: Path) -> Ready | None:
    """The last file that belongs to the feed as it is now: after a restore, one may hold more than the hub does."""
    head = feed_head(tx)
    for found in every(data):
        said = found.manifest
        if said.epoch != head.epoch or said.position > head.position:
            continue
        row = tx.execute(hash_at, (said.position,)).fetchone()
        if row is not None and bytes(row["feed_hash"]).hex() == said.feed_hash:
            return found
    return None


def every(data: Path) -> tuple[Ready, ...]:
    """Every file that is whole, the newest first."""
    return _every(data / FOLDER)


def held(data: Path, sha256: str) -> Ready | None:
    """The file of this digest, while it is kept."""
    return next((one for one in every(data) if one.manifest.sha256 == sha256), None)


async def keep_snapshots(
    database: Database,
    data: Path,
    key: Ed25519PrivateKey,
    doorbell: Doorbell,
    clock: Clock,
    *,
    trouble: Callable[[], str | None],
) -> None:
    """Make one a day until the bell is stopped. What goes wrong is tried again; shops read the feed meanwhile."""
    due_s, now_s = 0.0, asyncio.get_running_loop().time
    while not doorbell.is_stopped:
        if now_s() >= due_s:  # The bell wakes this with every move of the feed.
            due_s = now_s() + LOOK_EVERY_S
            try:
                if trouble() is None:
                    await asyncio.to_thread(
                        make_when_due,
                        database,
                        data,
                        key,
                        now=clock(),
                        is_stopped=lambda: doorbell.is_stopped,
                    )
            except (psycopg.Error, PoolTimeout, OSError, NoSnapshot, Malformed) as wrong:
                log.warning("no snapshot", error=type(wrong).__name__, reason=str(wrong))
        await doorbell.wait(beyond=NEVER, timeout_s=LOOK_EVERY_S)


def make_when_due(
    database: Database,
    data: Path,
    key: Ed25519PrivateKey,
    *,
    now: dt.datetime,
    is_stopped: Callable[[], bool] = lambda: False,
) -> None:
    """Make one when the last that may be given out is a day old, and enough has happened."""
    with database.transaction() as tx:
        head, last = feed_head(tx), newest(tx, data)
    if head.position < FEWEST_FACTS or (last is not None and now - last.manifest.made_at < MADE_EVERY):
        return
    made = make_snapshot(database, data, key, now=now, is_stopped=is_stopped).manifest
    log.info("snapshot", position=made.position, bytes=made.bytes, sha256=made.sha256)


def _make(
    database: Database, folder: Path, key: Ed25519PrivateKey, now: dt.datetime, look: Callable[[], None]
) -> Ready:
    """`look` is called between two batches, and ends the work by what it raises."""
    _throw_away(folder)  # What a kill or a full disk left half.
    partial = folder / "being-made.partial"
    try:
        with database.transaction() as tx:
            _as_it_stands(tx)
            head = _where_it_ends(tx)
            unpacked = _write(tx, partial, head, look)
            blocked = _blocked(tx)
        manifest = Manifest(
            epoch=head.epoch,
            position=head.position,
            feed_hash=head.feed_hash,
            bytes=partial.stat().st_size,
            unpacked_bytes=unpacked,
            sha256=_digest_of(partial),
            made_at=now,
            key_id=key_id(key.public_key()),
        )
        walk(partial, manifest, Cursor(), ROWS_A_TIME, between=look)
        made = _keep(folder, partial, manifest, blocked, key)
    except SnapshotRefused as wrong:
        raise NoSnapshot(f"{wrong.reason}; run `network verify`") from None
    finally:
        partial.unlink(missing_ok=True)
    _throw_away(folder)
    return made


def _as_it_stands(tx: Tx) -> None:
    """One moment of the database for all that is read, however long that takes."""
    tx.execute("set transaction isolation level repeatable read, read only")
    tx.execute("set local statement_timeout = 0")
    tx.execute("set local idle_in_transaction_session_timeout = 0")  # Lines are packed between two queries.


def _where_it_ends(tx: Tx) -> FeedHead:
    """As far as the standings are folded: what is said to be stopped has to belong to the facts in the file."""
    head, folded = feed_head(tx), position_of(tx, cylinders)
    if not folded:
        raise NoSnapshot("no fact is folded yet; start the hub once")
    if folded >= head.position:
        return head
    row = tx.execute(hash_at, (folded,)).fetchone()
    if row is None:
        raise NoSnapshot(f"the feed has no position {folded}; run `network verify`")
    return FeedHead(head.epoch, folded, bytes(row["feed_hash"]).hex())


def _write(tx: Tx, partial: Path, head: FeedHead, look: Callable[[], None]) -> int:
    """The facts up to a position, a line each; gives how many bytes they are before packing."""
    unpacked = after = 0
    partial.unlink(missing_ok=True)
    with partial.open("xb") as file:
        # No name and no time of the day in it: the same facts are the same bytes.
        with gzip.GzipFile(filename="", mode="wb", fileobj=file, mtime=0) as packed:
            while after < head.position:
                look()
                found = page(tx, after=after, limit=min(ROWS_A_TIME, head.position - after)).items
                if not found:
                    raise NoSnapshot(f"the feed misses position {after + 1}; run `network verify`")
                for one in found:
                    line = _item(one).model_dump_json().encode() + b"\n"
                    packed.write(line)
                    unpacked += len(line)
                after = found[-1].position
        file.flush()
        os.fsync(file.fileno())
    return unpacked


def _item(one: Stored) -> FeedItem:
    signature = base64.b64encode(one.sealed.signature).decode()
    return FeedItem(
        position=one.position,
        received_at=one.received_at,
        raw=one.sealed.raw.decode(),
        signature=signature,
    )


def _blocked(tx: Tx) -> tuple[BlockedCylinder, ...]:
    """Every cylinder that is stopped, and by what."""
    found = [Standing.model_validate_json(row["document"]) for row in tx.execute(stopped)]
    ids = [block.id for one in found for block in one.blocks]
    positions = {row["event_id"]: int(row["position"]) for row in tx.execute(positions_of, (ids,))}
    return tuple(
        BlockedCylinder(
            cylinder_id=one.cylinder_id,
            marks=tuple(ClaimedMarks.model_validate(marks.model_dump()) for marks in one.marks),
            held=tuple(
                HeldAgainst(
                    position=positions.get(block.id, 0),
                    **block.model_dump(include=set(HeldAgainst.model_fields) - {"position"}),
                )
                for block in one.blocks
            ),
        )
        for one in found
    )


def _keep(
    folder: Path,
    partial: Path,
    manifest: Manifest,
    blocked: tuple[BlockedCylinder, ...],
    key: Ed25519PrivateKey,
) -> Ready:
    """Put the three files in their places, the manifest last: without it the others are not there."""
    stem = folder / manifest.sha256
    stopped_there = BlockedList(
        sha256=manifest.sha256, epoch=manifest.epoch, position=manifest.position, cylinders=blocked
    )
    signed = sign_manifest(manifest, key)
    made = _of(stem.with_suffix(".manifest"), manifest, signed)
    _put(made.blocked, stopped_there.model_dump_json().encode())
    partial.rename(made.facts)
    _put(stem.with_suffix(".manifest"), signed.model_dump_json().encode())
    return made


def _of(manifest_at: Path, manifest: Manifest, signed: SignedManifest) -> Ready:
    return Ready(manifest, signed, manifest_at.with_suffix(".jsonl.gz"), manifest_at.with_suffix(".blocked"))


def _every(folder: Path) -> tuple[Ready, ...]:
    found: list[Ready] = []
    for at in folder.glob("*.manifest"):
        try:
            signed = SignedManifest.model_validate_json(at.read_bytes())
            one = _of(at, parse_manifest(signed), signed)
        except (OSError, ValidationError, Malformed):
            continue  # Another process throws it away, or it is none.
        if one.facts.exists() and one.blocked.exists():
            found.append(one)
    return tuple(sorted(found, key=lambda one: one.manifest.made_at, reverse=True))


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """The command and the running hub do not throw away what the other is writing."""
    with (folder / LOCK).open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise NoSnapshot("another one is being made just now") from None
        yield


def _throw_away(folder: Path) -> None:
    """All but the last two: what a shop is in the middle of reading is still there after the next one is made."""
    keep = {LOCK} | {
        path.name
        for one in _every(folder)[:KEPT]
        for path in (one.facts, one.blocked, one.facts.with_name(f"{one.manifest.sha256}.manifest"))
    }
    for path in folder.iterdir():
        if path.name not in keep:
            path.unlink(missing_ok=True)


def _put(path: Path, content: bytes) -> None:
    partial = path.with_name(path.name + ".partial")
    with partial.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    partial.rename(path)


def _digest_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
