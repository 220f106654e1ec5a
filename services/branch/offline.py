"""A node's database file checked as it lies: opened read only, nothing made, mended or brought up to date.

Owns how the branch's tables are read as a whole log; what does not fit is said by `eventlog.whole_log`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from pydantic import BaseModel, ConfigDict, ValidationError

from branch import witness
from branch.settings import read_settings
from branch.store import views as look
from branch.store.rows import StoreIsBroken, number, sealed_of, text
from cylinder.standing import Standing, digest
from eventlog.chain import Head
from eventlog.checkpoint import SignedCheckpoint
from eventlog.envelope import Sealed
from eventlog.keys import key_id, public_key
from eventlog.whole_log import Found, Held, Said, Shown, Trust, check

BUSY_S = 5.0
MOST_CHECKPOINTS = 2_000
HUB = "hub"

_NODE = "select inc, seq, hash, epoch, position, feed_hash from node"
_OWN_NAME = "select node from fact where inc in (?, ?) limit 1"
_FEED = """
select f.position, f.envelope_hash, coalesce(b.state, e.state), c.feed_hash, b.envelope_hash is not null, 0
from fact f
left join envelope_beside b on b.envelope_hash = f.envelope_hash
left join stored_events e on e.originator_id = f.inc and e.originator_version = f.seq
left join feed_copy c on c.position = f.position
where f.position is not null
union all
select u.position, u.envelope_hash, u.state, c.feed_hash, 1, 1
from unread_item u left join feed_copy c on c.position = u.position
where u.position is not null
order by 1
"""
_BESIDE = """
select e.state, f.envelope_hash from stored_events e
left join fact f on f.inc = e.originator_id and f.seq = e.originator_version
    and not exists (select 1 from envelope_beside b where b.envelope_hash = f.envelope_hash)
where f.position is null order by e.originator_id, e.originator_version
"""
_KEYS = "select key_id, node, public_key from node_key where node in (?, ?)"
_ENROLLED = "select 1 from fact where kind = 'node.enrolled' and subject = ? and position is not null"
_LAST_SEEN = "select raw, signature from witness_checkpoint order by seen_at desc, position desc limit ?"
_CHECKPOINTS = (
    "select raw, signature, agrees from witness_checkpoint where epoch = ? order by position desc limit ?"
)


class FileReport(BaseModel):
    """What a file holds and what is wrong with it. `root` is empty when a gap or a changed hash keeps it from being told."""

    model_config = ConfigDict(frozen=True)

    node: str = ""
    epoch: str = ""
    position: int = 0
    feed_hash: str = ""
    root: str = ""
    standing_digest: str = ""
    facts: int = 0
    problems: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Pinned:
    trust: Trust
    notes: tuple[str, ...]


def check_file(
    path: Path, *, hub_keys: Sequence[Ed25519PublicKey] = (), others: Sequence[Shown] = ()
) -> FileReport:
    """Check one database file. Raises nothing about its content: what cannot be read is a problem that is named."""
    try:
        with closing(_open(path)) as connection:
            return _check(connection, path, hub_keys, others)
    except sqlite3.OperationalError as wrong:
        older = " (older software made it: start the node with it once)" if "no such" in str(wrong) else ""
        return FileReport(problems=(f"file: it cannot be read as a node's database: {wrong}{older}",))
    except (sqlite3.Error, StoreIsBroken, ValueError) as wrong:
        return FileReport(problems=(f"file: it cannot be read as a node's database: {wrong}",))


def kept_checkpoints(path: Path, *, most: int) -> tuple[SignedCheckpoint, ...]:
    """The last checkpoints that the node has seen, for another shop to compare: of every epoch, borne out or not."""
    with closing(_open(path)) as connection:
        rows = connection.cursor().execute(_LAST_SEEN, (most,)).fetchall()
    return tuple(SignedCheckpoint(raw=text(raw), signature=text(signature)) for raw, signature in rows)


def _open(path: Path) -> sqlite3.Connection:
    """Read only. Without a write-ahead log beside it the file stands still, and nothing is made beside it either."""
    if not path.is_file():
        raise ValueError(f"{path} is no file")
    still = "" if path.with_name(path.name + "-wal").exists() else "&immutable=1"
    connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro{still}", uri=True, timeout=BUSY_S)
    connection.text_factory = str
    return connection


def _check(
    connection: sqlite3.Connection, path: Path, hub_keys: Sequence[Ed25519PublicKey], others: Sequence[Shown]
) -> FileReport:
    c = connection.cursor()
    c.execute("begin")  # One view of a database that may be in use.
    damaged = [f"file: {row[0]}" for row in c.execute("pragma quick_check(20)") if row[0] != "ok"]
    row = c.execute(_NODE).fetchone()
    if row is None:
        return FileReport(problems=(*damaged, "file: this node has no log yet"))
    inc, seq, last, epoch, position, feed_hash = row
    own = Head(UUID(text(inc)), number(seq), text(last))
    said = Said(text(epoch), number(position), text(feed_hash), own=own)
    name = c.execute(_OWN_NAME, (own.inc.hex, str(own.inc))).fetchone()
    node = "" if name is None else text(name[0])
    pinned = _pinned(c, path, node, hub_keys)
    found = check(
        _feed(connection), _beside(connection), said, pinned.trust, [*_shown(c, said.epoch), *others]
    )
    standings, wrong = _standings(c)
    said_by_witness = witness.trouble(c)
    return FileReport(
        node=node,
        epoch=said.epoch,
        position=found.position,
        feed_hash=found.feed_hash,
        root=_root(found),
        standing_digest=digest(standings),
        facts=found.facts,
        problems=(
            *damaged,
            *found.problems,
            *wrong,
            *([] if said_by_witness is None else [f"witness: {said_by_witness}"]),
        ),
        notes=(*pinned.notes, *found.notes),
    )


def _root(found: Found) -> str:
    return found.edge.root.hex() if found.edge.size == found.position else ""


def _feed(connection: sqlite3.Connection) -> Iterator[Held]:
    for position, kept_hash, state, feed_hash, is_loose, is_unread in connection.cursor().execute(_FEED):
        yield Held(
            sealed=_sealed(state),
            position=number(position),
            kept_hash=text(kept_hash),
            kept_feed_hash=None if feed_hash is None else text(feed_hash),
            is_loose=bool(is_loose),
            is_unread=bool(is_unread),
        )


def _beside(connection: sqlite3.Connection) -> Iterator[Held]:
    for state, kept_hash in connection.cursor().execute(_BESIDE):
        yield Held(sealed=_sealed(state), kept_hash=None if kept_hash is None else text(kept_hash))


def _sealed(state: object) -> Sealed:
    """The envelope, or none: an empty one cannot be read and is named by the check."""
    return sealed_of(state) if isinstance(state, bytes) else Sealed(b"", b"")


def _pinned(c: sqlite3.Cursor, path: Path, node: str, hub_keys: Sequence[Ed25519PublicKey]) -> _Pinned:
    """The hub's key from outside, else from the shop's settings beside the file, else from the file itself."""
    hub, notes, keys = HUB, list[str](), dict[str, tuple[str, Ed25519PublicKey]]()
    try:
        settings = read_settings(path.parent)
        hub = settings.hub_node
        settled = [public_key(settings.hub_public_key)]
    except (OSError, ValidationError, ValueError):
        settled = []
    for key in hub_keys or settled:
        keys[key_id(key)] = (hub, key)
    is_enrolled = c.execute(_ENROLLED, (f"node/{node}",)).fetchone() is not None
    for _, owner, key_text in c.execute(_KEYS, (hub, node)).fetchall():
        needs_hub = owner == hub and not keys
        if needs_hub or (owner == node and not is_enrolled):
            key = public_key(text(key_text))
            keys[key_id(key)] = (text(owner), key)
            whose = "the hub's key" if owner == hub else "this shop's own key"
            notes.append(
                f"{whose} was taken from the file itself: it proves nothing against who made the file"
            )
    return _Pinned(Trust(hub, keys), tuple(notes))


def _shown(c: sqlite3.Cursor, epoch: str) -> list[Shown]:
    """What this node kept of the hub's word. Of what it had not read yet, more than is here is no fault."""
    rows = c.execute(_CHECKPOINTS, (epoch, MOST_CHECKPOINTS)).fetchall()
    return [
        Shown(
            SignedCheckpoint(raw=text(raw), signature=text(signature)), "" if agrees else "seen, not read yet"
        )
        for raw, signature, agrees in rows
    ]


def _standings(c: sqlite3.Cursor) -> tuple[list[Standing], list[str]]:
    """Every kept standing folded again from its facts."""
    standings: list[Standing] = []
    wrong: list[str] = []
    for cylinder_id in look.standing_ids(c):
        try:
            standings += filter(None, (look.checked_standing(c, cylinder_id),))
        except StoreIsBroken as broken:
            wrong.append(f"standing: {broken}")
    return standings, wrong
