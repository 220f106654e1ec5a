"""Checking a node's database from the bottom: chain, signatures, cumulative hash, and every cached standing folded again."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from branch.store import BranchStore
from branch.store import views as look
from branch.store.rows import Cursor, StoreIsBroken, node_row, number, sealed_of, text
from cylinder.standing import Standing, digest
from eventlog import Forged, verify
from eventlog.chain import Head, judge, links
from eventlog.event import NO_HASH
from eventlog.feed import next_feed_hash
from eventlog.keys import public_key, public_text


class Report(BaseModel):
    """What `verify` found. Two nodes at one (epoch, position) must show the same two hashes."""

    model_config = ConfigDict(frozen=True)

    node: str
    epoch: str
    position: int
    feed_hash: str
    standing_digest: str
    facts: int
    unsent: int
    problems: tuple[str, ...]


def check(store: BranchStore) -> Report:
    """Read everything again and say what does not fit."""
    problems = [*_chain_problems(store)]
    with store.reading() as c:
        node = node_row(c)
        if node is None:
            raise ValueError("this node has no log yet")
        problems += _feed_problems(c, node.feed.position, node.feed.feed_hash)
        cached: list[Standing] = []
        for cylinder_id in look.standing_ids(c):
            try:
                cached += filter(None, (look.folded_again(c, cylinder_id),))
            except StoreIsBroken as wrong:
                problems.append(str(wrong))
        c.execute("select count(*) from fact")
        counted = c.fetchone()
        unsent = look.backlog(c).facts
    return Report(
        node=store.author.node,
        epoch=node.feed.epoch,
        position=node.feed.position,
        feed_hash=node.feed.feed_hash,
        standing_digest=digest(cached),
        facts=number(counted[0]) if counted else 0,
        unsent=unsent,
        problems=tuple(problems),
    )


def _chain_problems(store: BranchStore) -> list[str]:
    key = public_key(public_text(store.author.key.public_key()))
    head: Head | None = None
    for sealed in store.own_log():
        try:
            verify(sealed, key)
            (link,) = links([sealed])
        except Forged as wrong:
            return [f"own log: {wrong}"]
        place = link.envelope.place
        verdict = judge([link], head or Head(place.inc), known={})
        if verdict.answer != "accepted":
            return [f"own log breaks at {place.seq}: {verdict.answer}"]
        head = Head(place.inc, place.seq, link.hash)
    return []


def _feed_problems(c: Cursor, position: int, feed_hash: str) -> list[str]:
    c.execute(
        "select f.position, e.state from fact f join stored_events e on e.originator_id = f.inc "
        "and e.originator_version = f.seq where f.position is not null order by f.position"
    )
    before, due = NO_HASH, 1
    for row in c.fetchall():
        if number(row[0]) != due:
            return [f"the feed misses position {due}"]
        before = next_feed_hash(before, sealed_of(row[1]).hash)
        due += 1
    if due - 1 != position:
        return [f"the cursor says {position}, the feed ends at {due - 1}"]
    return [] if before == feed_hash else ["the cumulative hash is not what the envelopes give"]


def rebuild(store: BranchStore) -> int:
    """Fold every cached standing again from the facts, in one transaction; gives how many had to change."""
    changed = 0
    with store.writing() as tx:
        tx.c.execute("select distinct subject from fact where subject like 'cylinder/%' and matters = 1")
        subjects = [text(row[0]) for row in tx.c.fetchall()]
        # As text: what cannot be read is what a rebuild is for.
        tx.c.execute("select cylinder_id, document from standing")
        before = {text(row[0]): text(row[1]) for row in tx.c.fetchall()}
        tx.forget_standings()
        for subject in subjects:
            again = tx.settle(subject)
            changed += int(
                again is not None and before.get(str(again.cylinder_id)) != again.model_dump_json()
            )
    return changed
