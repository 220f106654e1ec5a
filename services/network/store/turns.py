"""Whose turn it is at each node, which two incarnations were seen alive at once, and where each node stood last.

Owns `turn`, `ended_turn`, `suspicion` and `node_beat`. Must never judge a beat: `sync.beats` does.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal
from uuid import UUID

from network.store.database import Tx
from sync.hub_log import Turn

DigestVerdict = Literal["agree", "differ", "unknown"]

# Before a node's first turn there is no row to lock, so its name is.
take_the_floor = "select pg_advisory_xact_lock(hashtext(%s))"
present_turn = "select inc, current_ticket, previous_ticket, beat from turn where node = %s"
put_turn = """
insert into turn (node, inc, current_ticket, previous_ticket, beat) values (%s, %s, %s, %s, %s)
on conflict (node) do update set inc = excluded.inc, current_ticket = excluded.current_ticket,
    previous_ticket = excluded.previous_ticket, beat = excluded.beat
"""
one_ended_turn = (
    "select inc, current_ticket, previous_ticket, beat from ended_turn where node = %s and inc = %s"
)
put_ended_turn = """
insert into ended_turn (node, inc, current_ticket, previous_ticket, beat) values (%s, %s, %s, %s, %s)
on conflict (node, inc) do update set current_ticket = excluded.current_ticket,
    previous_ticket = excluded.previous_ticket, beat = excluded.beat
"""
drop_turns = "delete from turn"
drop_ended_turns = "delete from ended_turn"
drop_suspicions = "delete from suspicion"
put_suspicion = """
insert into suspicion (node, one, other, event_id, at) values (%s, %s, %s, %s, %s)
on conflict (node, one, other) do nothing
"""
put_beat = """
insert into node_beat (node, at, inc, seq, epoch, position, digest, has_digest, feed_agrees)
values (%(node)s, %(at)s, %(inc)s, %(seq)s, %(epoch)s, %(position)s, %(digest)s, %(has_digest)s, %(feed_agrees)s)
on conflict (node) do update set at = excluded.at, inc = excluded.inc, seq = excluded.seq, epoch = excluded.epoch,
    position = excluded.position, digest = excluded.digest, has_digest = excluded.has_digest,
    feed_agrees = excluded.feed_agrees
"""


@dataclass(frozen=True, slots=True)
class Stood:
    """Where a node stood when it last said so."""

    at: dt.datetime
    inc: UUID
    seq: int
    epoch: str
    position: int
    digest: str | None
    has_digest: DigestVerdict
    feed_agrees: bool


def present(tx: Tx, node: str) -> Turn | None:
    """The turn of a node; until the transaction ends nobody else judges a beat of it."""
    tx.execute(take_the_floor, (f"turn {node}",))
    return _turn(tx.execute(present_turn, (node,)).fetchone())


def put(tx: Tx, node: str, turn: Turn) -> None:
    """It is the turn of this incarnation."""
    tx.execute(put_turn, (node, turn.inc, turn.current, turn.previous, turn.beat))


def ended(tx: Tx, node: str, inc: UUID) -> Turn | None:
    """The last turn of an incarnation that another one has followed."""
    return _turn(tx.execute(one_ended_turn, (node, inc)).fetchone())


def end(tx: Tx, node: str, turn: Turn) -> None:
    """This incarnation was followed by another one."""
    tx.execute(put_ended_turn, (node, turn.inc, turn.current, turn.previous, turn.beat))


def forget_all(tx: Tx) -> None:
    """Whoever had a turn takes a new one: tickets given after the backup was made are not known here."""
    for statement in (drop_turns, drop_ended_turns, drop_suspicions):
        tx.execute(statement.encode())


def is_first_suspicion(
    tx: Tx, node: str, one: UUID, other: UUID, event_id: UUID, *, now: dt.datetime
) -> bool:
    """Note two incarnations that were seen alive at once; whether that is news."""
    first, second = sorted((one, other))
    return tx.execute(put_suspicion, (node, first, second, event_id, now)).rowcount == 1


def note_beat(tx: Tx, node: str, stood: Stood) -> None:
    """Remember where a node stood."""
    tx.execute(
        put_beat,
        {
            "node": node, "at": stood.at, "inc": stood.inc, "seq": stood.seq, "epoch": stood.epoch,
            "position": stood.position, "digest": stood.digest, "has_digest": stood.has_digest,
            "feed_agrees": stood.feed_agrees,
        },
    )  # fmt: skip


def _turn(row: dict[str, object] | None) -> Turn | None:
    if row is None:
        return None
    inc, beat = row["inc"], row["beat"]
    assert isinstance(inc, UUID)
    assert isinstance(beat, UUID)
    return Turn(inc, str(row["current_ticket"]), str(row["previous_ticket"]), beat)
