"""What a projection is, and the one loop that moves it: its rows and its cursor commit together.

A projection is declared, not subclassed. Rebuilding is dropping its tables, cursor 0 and the same loop.
Applying a fact must not fail: a projection that raises stands still, is logged, and lets the others go on.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from cylinder.facts import Fact
from cylinder.recorded import Recorded, origin_of, recorded
from eventlog.envelope import read
from eventlog.event import Event
from network.store.database import Database, Tx

FACTS_A_BATCH = 500

feed_after = """
select f.position, f.received_at, f.node, f.state
from numbered f
where f.position > %(after)s and f.position <= %(after)s + %(limit)s order by f.position
"""
lock_cursor = "select version, position from projection_cursor where name = %s for update"
begin_cursor = """
insert into projection_cursor (name, version, position) values (%(name)s, %(version)s, 0)
on conflict (name) do update set version = excluded.version, position = 0
"""
move_cursor = "update projection_cursor set position = %s where name = %s"
where_it_stands = "select position from projection_cursor where name = %s and version = %s"


@dataclass(frozen=True, slots=True)
class Positioned:
    """A fact at its position in the feed. `event` is what the node signed, `record` what this software reads in it."""

    position: int
    received_at: dt.datetime
    node: str
    event: Event
    record: Recorded


Apply = Callable[[Tx, Positioned], None]
Settle = Callable[[Tx, Sequence[Positioned]], None]


@dataclass(slots=True)
class Projection:
    """A name, its tables, and what to do with each kind of fact. Raise `version` when any of it changes."""

    name: str
    version: int
    tables: tuple[str, ...]
    create: str
    _by_kind: dict[type[Fact], list[Apply]] = field(default_factory=dict)
    _settle: list[Settle] = field(default_factory=list)

    def on(self, *kinds: type[Fact]) -> Callable[[Apply], Apply]:
        """Call the function for each fact of these kinds; of every kind when none is named."""

        def declare(apply: Apply) -> Apply:
            for kind in kinds or (Fact,):
                self._by_kind.setdefault(kind, []).append(apply)
            return apply

        return declare

    def after_batch(self, settle: Settle) -> Settle:
        """Call the function once for a whole batch, in the same transaction."""
        self._settle.append(settle)
        return settle

    def apply(self, tx: Tx, batch: Sequence[Positioned]) -> None:
        """All of a batch, in order."""
        for one in batch:
            for apply in self._by_kind.get(Fact, []) + self._by_kind.get(type(one.record.fact), []):
                apply(tx, one)
        for settle in self._settle:
            settle(tx, batch)


def catch_up_once(database: Database, projection: Projection, *, limit: int = FACTS_A_BATCH) -> int:
    """Read at most one batch, in one transaction; how many facts there were."""
    with database.transaction() as tx:
        # On its own, so that the tables are there, empty, even when the first fact cannot be applied.
        if _cursor(tx, projection) is None:
            _begin(tx, projection)
    with database.transaction() as tx:
        position = _cursor(tx, projection) or 0
        batch = read_batch(tx, after=position, limit=limit)
        if batch:
            projection.apply(tx, batch)
            tx.execute(move_cursor, (batch[-1].position, projection.name))
    return len(batch)


def rebuild(database: Database, projection: Projection) -> int:
    """Forget everything and read the log again; the number of facts read."""
    with database.transaction() as tx:
        _begin(tx, projection)
    total = 0
    while read_now := catch_up_once(database, projection):
        total += read_now
    return total


def position_of(tx: Tx, projection: Projection) -> int:
    """How far it has read."""
    row = tx.execute(where_it_stands, (projection.name, projection.version)).fetchone()
    return 0 if row is None else int(row["position"])


def read_batch(tx: Tx, *, after: int, limit: int) -> list[Positioned]:
    """Facts of the feed after a position, read as far as this software understands them."""
    rows = tx.execute(feed_after, {"after": after, "limit": limit}, prepare=True)
    return [positioned(row["position"], row["received_at"], row["node"], bytes(row["state"])) for row in rows]


def positioned(position: int, received_at: dt.datetime, node: str, raw: bytes) -> Positioned:
    """One stored envelope as a positioned fact."""
    envelope = read(raw)
    record = recorded(envelope.event, origin_of(envelope.place))
    return Positioned(position, received_at, node, envelope.event, record)


def _cursor(tx: Tx, projection: Projection) -> int | None:
    """The cursor, locked: two processes never read the same projection at once. None: new, or declared anew."""
    row = tx.execute(lock_cursor, (projection.name,)).fetchone()
    if row is None or row["version"] != projection.version:
        return None
    return int(row["position"])


def _begin(tx: Tx, projection: Projection) -> None:
    # Before the first row there is nothing to lock, so the name itself is.
    tx.execute("select pg_advisory_xact_lock(hashtext(%s))", (f"projection {projection.name}",))
    for table in projection.tables:
        tx.execute(f"drop table if exists {table}".encode())
    tx.execute(projection.create.encode())
    tx.execute(begin_cursor, {"name": projection.name, "version": projection.version})
