"""Checks the whole log from its bytes: every chain, every signature, every position, the cumulative hash, the standing.

Reads only. Trusts nothing that is derived: keys come from the enrolments in the log, standings are folded again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from pydantic import BaseModel

from cylinder.gather import Filed
from cylinder.recorded import origin_of, recorded
from cylinder.standing import digest
from eventlog.chain import LOG_OPENED
from eventlog.envelope import Envelope, Forged, Malformed, Place, Sealed, read, verify
from eventlog.event import NO_HASH
from eventlog.feed import GENESIS_FEED_HASH, next_feed_hash
from eventlog.keys import key_id, public_key
from network.checkpoints import checkpoint_problems
from network.own_log import HUB, NODE_ENROLLED
from network.projections.cylinders import cylinders, standing_digest
from network.projections.projection import position_of
from network.store.database import Database, Tx
from network.store.pages import feed_head

MOST_PROBLEMS = 100
ROWS_A_TIME = 500

all_positions = """
select f.position, f.inc, f.seq, f.event_id, f.node, f.envelope_hash, f.feed_hash, f.kind, f.effect, f.subject, f.state
from numbered f
where f.position > %s order by f.position limit %s
"""
all_envelopes = """
select s.originator_id as inc, s.originator_version as seq, s.state, coalesce(f.signature, r.signature) as signature
from stored_events s
left join feed f on not f.is_loose and f.inc = s.originator_id and f.seq = s.originator_version
left join feed_repeat r on r.inc = s.originator_id and r.seq = s.originator_version
where (s.originator_id, s.originator_version) > (%s, %s)
order by s.originator_id, s.originator_version limit %s
"""
all_loose = "select inc, seq, envelope_hash, state, signature from loose order by inc, seq"
all_heads = "select inc, seq, hash from log_head where seq > 0"


class Report(BaseModel):
    """What the check found; `problems` is empty when everything holds."""

    node: str
    epoch: str
    position: int
    feed_hash: str
    standing_digest: str
    facts: int
    problems: list[str]


@dataclass(slots=True)
class _Findings:
    problems: list[str] = field(default_factory=list)
    keys: dict[str, tuple[str, Ed25519PublicKey]] = field(default_factory=dict)
    facts: Filed = field(default_factory=Filed)
    count: int = 0
    feed_hash: str = GENESIS_FEED_HASH

    def wrong(self, what: str) -> None:
        if len(self.problems) < MOST_PROBLEMS:
            self.problems.append(what)


def check_log(database: Database, *, hub_key: Ed25519PublicKey) -> Report:
    """Check everything that is committed as this begins."""
    found = _Findings()
    found.keys[key_id(hub_key)] = (HUB, hub_key)
    with database.transaction() as tx:
        tx.execute("set transaction isolation level repeatable read, read only")
        tx.execute("set local statement_timeout = 0")
        head = feed_head(tx)
        _check_feed(tx, found)
        if (found.count, found.feed_hash) != (head.position, head.feed_hash):
            found.wrong(f"the feed ends at {found.count}, its head says {head.position} or another hash")
        _check_chains(tx, found)
        _check_loose(tx, found)
        for problem in checkpoint_problems(tx, head.epoch, hub_key):
            found.wrong(problem)
        folded = digest(map(found.facts.standing, found.facts.cylinders()))
        if position_of(tx, cylinders) == head.position and standing_digest(tx) != folded:
            found.wrong("the kept standings differ from the fold of all facts: rebuild cylinders")
    return Report(
        node=HUB,
        epoch=head.epoch,
        position=head.position,
        feed_hash=head.feed_hash,
        standing_digest=folded,
        facts=found.count,
        problems=found.problems,
    )


def _check_feed(tx: Tx, found: _Findings) -> None:
    """Contiguous positions, the cumulative hash, and columns that say what the envelope says."""
    ids: set[UUID] = set()
    for row in _by_position(tx):
        found.count += 1
        position = row["position"]
        if position != found.count:
            found.wrong(f"position {position} where {found.count} was due")
            found.count = int(str(position))
        raw = row["state"]
        if not isinstance(raw, bytes):
            found.wrong(f"position {position} has no envelope")
            continue
        try:
            envelope = read(raw)
        except Malformed as wrong:
            found.wrong(f"position {position}: {wrong}")
            continue
        envelope_hash = Sealed(raw, b"").hash
        found.feed_hash = next_feed_hash(found.feed_hash, envelope_hash)
        if (row["envelope_hash"], row["feed_hash"]) != (
            bytes.fromhex(envelope_hash),
            bytes.fromhex(found.feed_hash),
        ):
            found.wrong(f"position {position}: a hash differs")
        event = envelope.event
        said = (event.id, envelope.place.node, event.kind, event.effect.value, event.subject)
        if said != (row["event_id"], row["node"], row["kind"], row["effect"], row["subject"]):
            found.wrong(f"position {position}: the index says otherwise than the envelope")
        if event.id in ids:
            found.wrong(f"position {position}: event {event.id} stands twice")
        ids.add(event.id)
        _learn(envelope, found)


def _learn(envelope: Envelope, found: _Findings) -> None:
    """Keep what a fact says about keys, and what it says about a cylinder."""
    event, node = envelope.event, envelope.place.node
    if event.kind == NODE_ENROLLED and node == HUB:
        slug, text = event.body.get("node"), event.body.get("public_key")
        try:
            key = public_key(str(text))
        except ValueError:
            found.wrong(f"the enrolment of {slug} names no key")
        else:
            found.keys[key_id(key)] = (str(slug), key)
    found.facts.put(recorded(event, origin_of(envelope.place)))


def _check_chains(tx: Tx, found: _Findings) -> None:
    """Each incarnation from its first envelope: numbers, `prev`, signature and the head that is kept of it."""
    last: dict[UUID, tuple[int, str]] = {}
    for inc, seq, sealed in _by_incarnation(tx):
        try:
            envelope = read(sealed.raw)
        except Malformed as wrong:
            found.wrong(f"{inc} {seq}: {wrong}")
            continue
        place = envelope.place
        due, before = last.get(inc, (0, NO_HASH))
        if (place.inc, place.seq, seq, place.prev) != (inc, seq, due + 1, before):
            found.wrong(f"{place.node} {seq}: does not follow on in {inc}")
        if (seq == 1) != (envelope.event.kind == LOG_OPENED):
            found.wrong(f"{place.node} {seq}: the log opens in the wrong place")
        last[inc] = (seq, sealed.hash)
        _check_signature(place, sealed, found)
    heads = {row["inc"]: (row["seq"], bytes(row["hash"]).hex()) for row in tx.execute(all_heads)}
    for inc in heads.keys() | last.keys():
        if heads.get(inc) != last.get(inc):
            found.wrong(f"the kept head of {inc} is not its last envelope")


def _check_loose(tx: Tx, found: _Findings) -> None:
    """What is held beside its chain counts by its signature alone. It must not have been changed either."""
    for row in tx.execute(all_loose):
        sealed = Sealed(bytes(row["state"]), bytes(row["signature"]))
        try:
            place = read(sealed.raw).place
        except Malformed as wrong:
            found.wrong(f"{row['inc']} {row['seq']}, beside its chain: {wrong}")
            continue
        if (sealed.hash, place.inc, place.seq) != (
            bytes(row["envelope_hash"]).hex(),
            row["inc"],
            row["seq"],
        ):
            found.wrong(f"{row['inc']} {row['seq']}, beside its chain: another envelope than was taken")
        _check_signature(place, sealed, found)


def _check_signature(place: Place, sealed: Sealed, found: _Findings) -> None:
    owner, key = found.keys.get(place.key_id, ("", None))
    if key is None or owner != place.node:
        found.wrong(f"{place.node} {place.seq}: signed by a key that was never enrolled for it")
        return
    try:
        verify(sealed, key)
    except Forged:
        found.wrong(f"{place.node} {place.seq}: the signature does not match")


def _by_position(tx: Tx) -> Iterator[dict[str, object]]:
    after = 0
    while rows := tx.execute(all_positions, (after, ROWS_A_TIME)).fetchall():
        yield from rows
        after = rows[-1]["position"]


def _by_incarnation(tx: Tx) -> Iterator[tuple[UUID, int, Sealed]]:
    inc, seq = UUID(int=0), 0
    while rows := tx.execute(all_envelopes, (inc, seq, ROWS_A_TIME)).fetchall():
        for row in rows:
            inc, seq = row["inc"], int(row["seq"])
            yield inc, seq, Sealed(bytes(row["state"]), bytes(row["signature"] or b""))
