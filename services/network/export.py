"""The whole log as a file: what an auditor, or a shop that doubts, checks without this hub. Reads only."""

from __future__ import annotations

from collections.abc import Iterator

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from eventlog.envelope import Sealed
from eventlog.keys import public_text
from eventlog.log_file import CheckpointLine, FactLine, Header
from eventlog.wire import WireEnvelope
from network.own_log import HUB
from network.projections.cylinders import cylinders, standing_digest
from network.projections.projection import position_of
from network.store import feed_tree
from network.store.database import Database, Tx
from network.store.pages import FeedHead, feed_head

ROWS_A_TIME = 500

positioned_after = """
select position, received_at, state, signature, envelope_hash, feed_hash, is_loose from numbered
where position > %s and position <= %s order by position limit %s
"""
# Envelopes in a chain whose fact had its position already.
repeated_after = """
select s.originator_id as inc, s.originator_version as seq, s.state, r.signature, r.received_at
from feed_repeat r join stored_events s on s.originator_id = r.inc and s.originator_version = r.seq
where (s.originator_id, s.originator_version) > (%s, %s) order by s.originator_id, s.originator_version limit %s
"""
NO_INC = "00000000-0000-0000-0000-000000000000"


class CannotExport(Exception):
    """An envelope is not there: what would be written is no whole log. `verify` says more."""


def export_log(database: Database, *, hub_key: Ed25519PublicKey) -> Iterator[str]:
    """Line after line of everything that is committed as this begins. Raises CannotExport."""
    with database.transaction() as tx:
        tx.execute("set transaction isolation level repeatable read, read only")
        tx.execute("set local statement_timeout = 0")
        tx.execute("set local idle_in_transaction_session_timeout = 0")  # whoever reads the lines may be slow
        head = feed_head(tx)
        yield Header(
            epoch=head.epoch,
            position=head.position,
            feed_hash=head.feed_hash,
            # Only when every fact is folded does it say something about this log.
            standing_digest=standing_digest(tx) if position_of(tx, cylinders) == head.position else None,
            hub_node=HUB,
            hub_public_key=public_text(hub_key),
        ).model_dump_json()
        yield from _feed(tx, head)
        yield from _repeats(tx)
        for signed in feed_tree.every(tx, head.epoch):
            yield CheckpointLine(signed=signed).model_dump_json()


def _feed(tx: Tx, head: FeedHead) -> Iterator[str]:
    after = 0
    while rows := tx.execute(positioned_after, (after, head.position, ROWS_A_TIME)).fetchall():
        for row in rows:
            after = int(row["position"])
            if row["state"] is None:
                raise CannotExport(f"position {after} has no envelope")
            yield FactLine(
                position=after,
                received_at=row["received_at"],
                envelope=_wire(row),
                envelope_hash=bytes(row["envelope_hash"]).hex(),
                feed_hash=bytes(row["feed_hash"]).hex(),
                is_loose=row["is_loose"],
            ).model_dump_json()


def _repeats(tx: Tx) -> Iterator[str]:
    inc, seq = NO_INC, 0
    while rows := tx.execute(repeated_after, (inc, seq, ROWS_A_TIME)).fetchall():
        for row in rows:
            inc, seq = str(row["inc"]), int(row["seq"])
            sealed = Sealed(bytes(row["state"]), b"")
            yield FactLine(
                position=None,
                received_at=row["received_at"],
                envelope=_wire(row),
                envelope_hash=sealed.hash,
                feed_hash=None,
            ).model_dump_json()


def _wire(row: dict[str, object]) -> WireEnvelope:
    state, signature = row["state"], row["signature"]
    assert isinstance(state, bytes), "the columns are bytea"
    assert isinstance(signature, bytes), "the columns are bytea"
    return WireEnvelope.of(Sealed(state, signature))
