"""What the audit of fills reads of the log: only cylinders that ever had a block, and what their standing rests on.

Reads the envelopes themselves and no projection, so that a projection's fault hides nothing. Must never judge.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal
from uuid import UUID

from cylinder.annulment import ANNULMENT_KINDS
from cylinder.audit import Feed, Opened, SeenAt, Written
from cylinder.facts import KINDS, FillAuthorised
from cylinder.identity import IDENTITY_KINDS, beside
from cylinder.proof import CREDENTIAL_KINDS
from cylinder.recorded import Recorded, cylinder_of, cylinder_subject, origin_of, recorded
from eventlog.chain import LOG_OPENED
from eventlog.envelope import Envelope, Sealed, read
from network.store.database import Tx
from network.store.pages import FeedHead, feed_head

BLOCKING_KINDS = sorted(kind.KIND for kind in KINDS.values() if kind.EFFECT == "block")
RESTS_ON = sorted(IDENTITY_KINDS | ANNULMENT_KINDS)
EVERYWHERE = sorted(CREDENTIAL_KINDS | {LOG_OPENED})

blocked_subjects = "select distinct subject from feed where effect = 'block' or kind = any(%s)"
# A cylinder's id has one spelling with us and several that a node may sign: the others are looked for by hand.
odd_spellings = """
select distinct subject from feed
where subject like 'cylinder/%' and subject !~ '^cylinder/[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$'
"""
facts_of_kinds = "select position, state from numbered where kind = any(%(kinds)s) order by position"
facts_of_subjects = """
select position, state from numbered
where subject = any(%(subjects)s) and (effect <> 'neutral' or kind = any(%(kinds)s)) order by position
"""
published_again = """
select s.state from feed_repeat r
join stored_events s on s.originator_id = r.inc and s.originator_version = r.seq
where r.event_id = any(%s)
"""
beside_their_chain = """
select l.envelope_hash, s.originator_id is not null as is_taken
from loose l left join stored_events s on s.originator_id = l.inc and s.originator_version = l.seq
where s.originator_id is null or sha256(s.state) <> l.envelope_hash
"""
heads_of_logs = "select inc, seq from log_head"
epochs_in_order = "select epoch, begins_after from epoch order by begins_after, at"
hashes_at = "select position, feed_hash from feed where position = any(%s)"
count_fills = "select count(*) as n from feed where kind = %s"


class NotReadable(Exception):
    """A fact has a position and no envelope: `verify` says where."""


@dataclass(frozen=True, slots=True)
class ToAudit:
    """What was read of the log at one moment. `fills` counts all authorised fills, also those that need no look."""

    head: FeedHead
    fills: int
    written: tuple[Written, ...]
    opened: tuple[Opened, ...]
    feed: Feed


@dataclass(frozen=True, slots=True)
class _Row:
    position: int
    envelope: Envelope
    hash: str


def read_to_audit(tx: Tx) -> ToAudit:
    """Everything that a fill can be judged by. The transaction should see one moment only. Raises NotReadable."""
    everywhere = _rows(tx, facts_of_kinds, kinds=EVERYWHERE)
    links = [_record(one.envelope) for one in _rows(tx, facts_of_kinds, kinds=RESTS_ON)]
    kinds = [*BLOCKING_KINDS, *RESTS_ON, FillAuthorised.KIND]
    rows = [
        *everywhere, *_rows(tx, facts_of_subjects, subjects=sorted(_subjects(tx, links)), kinds=kinds)
    ]  # fmt: skip
    aside = _beside(tx)
    written = [_written(one.envelope, one.position, aside.get(one.hash, "")) for one in rows]
    ids = [one.fact.id for one in written]
    for row in tx.execute(published_again, (ids,)).fetchall():
        written.append(_written(read(bytes(row["state"])), None, ""))
    counted = tx.execute(count_fills, (FillAuthorised.KIND,)).fetchone()
    return ToAudit(
        head=feed_head(tx),
        fills=0 if counted is None else int(counted["n"]),
        written=tuple(written),
        opened=tuple(_openings(everywhere, {row["inc"]: row["seq"] for row in tx.execute(heads_of_logs)})),
        feed=_feed(tx, sorted({one.seen.position for one in written})),
    )


def _subjects(tx: Tx, links: Sequence[Recorded]) -> Iterator[str]:
    """Every spelling of every record that ever had a block, and of all that a link ever led to from there."""
    blocked = {
        found
        for row in tx.execute(blocked_subjects, (BLOCKING_KINDS,)).fetchall()
        if (found := cylinder_of(row["subject"])) is not None
    }
    reached = _reached(blocked, links)
    yield from map(cylinder_subject, reached)
    for row in tx.execute(odd_spellings).fetchall():
        if cylinder_of(row["subject"]) in reached:
            yield row["subject"]


def _reached(starts: set[UUID], links: Sequence[Recorded]) -> set[UUID]:
    next_to: dict[UUID, set[UUID]] = {}
    for fact in links:
        one = cylinder_of(fact.subject)
        if one is not None:
            for other in beside(fact):
                next_to.setdefault(one, set()).add(other)
                next_to.setdefault(other, set()).add(one)
    reached, to_visit = set(starts), list(starts)
    while to_visit:  # Ends, since no record is visited twice.
        for one in next_to.get(to_visit.pop(), set()) - reached:
            reached.add(one)
            to_visit.append(one)
    return reached


def _rows(tx: Tx, query: str, **asked: Sequence[str]) -> list[_Row]:
    found: list[_Row] = []
    for row in tx.execute(query.encode(), asked):
        if row["state"] is None:
            raise NotReadable(f"position {row['position']} has no envelope")
        raw = bytes(row["state"])
        found.append(_Row(row["position"], read(raw), Sealed(raw, b"").hash))
    return found


def _record(envelope: Envelope) -> Recorded:
    return recorded(envelope.event, origin_of(envelope.place))


def _written(envelope: Envelope, position: int | None, aside: Literal["", "hole", "fork"]) -> Written:
    seen = envelope.event.seen
    return Written(_record(envelope), SeenAt(seen.epoch, seen.position, seen.feed_hash), position, aside)


def _beside(tx: Tx) -> dict[str, Literal["", "hole", "fork"]]:
    """The envelopes that their chain does not hold, by hash: it holds another there, or does not reach so far."""
    return {
        bytes(row["envelope_hash"]).hex(): "fork" if row["is_taken"] else "hole"
        for row in tx.execute(beside_their_chain)
    }


def _openings(everywhere: Iterable[_Row], heads: Mapping[UUID, int]) -> Iterator[Opened]:
    for one in everywhere:
        event, inc = one.envelope.event, one.envelope.place.inc
        if event.kind != LOG_OPENED:
            continue
        parent = event.body.get("parent")
        try:
            if not isinstance(parent, dict):
                yield Opened(inc)
                continue
            before, upto = UUID(str(parent["inc"])), int(str(parent["seq"]))
        except (KeyError, ValueError):
            yield Opened(inc, is_whole=False)  # It says that something came before, and not what.
        else:
            yield Opened(inc, before, upto, is_whole=heads.get(before, 0) >= upto)


def _feed(tx: Tx, positions: list[int]) -> Feed:
    epochs = tuple((row["epoch"], row["begins_after"]) for row in tx.execute(epochs_in_order))
    hashes = {row["position"]: bytes(row["feed_hash"]).hex() for row in tx.execute(hashes_at, (positions,))}
    return Feed(epochs, hashes.get)
