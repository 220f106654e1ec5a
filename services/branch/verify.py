"""Checking a node's database from the bottom: chain, signatures, cumulative hash, and every cached standing folded again."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from branch.store import BranchStore
from branch.store import views as look
from branch.store.branch_log import trusted_key
from branch.store.filing import Filing
from branch.store.rows import Cursor, StoreIsBroken, node_row, number, sealed_of, text
from cylinder.recorded import cylinder_subject
from cylinder.standing import Standing, digest
from eventlog import Forged, Malformed, Sealed, verify
from eventlog.chain import Head, judge, links
from eventlog.event import NO_HASH
from eventlog.feed import next_feed_hash
from sync.opening import link_of


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
    not_believed: tuple[str, ...] = ()
    """What the feed holds and this node does not take for a fact, or only for bad news: others may be at fault."""


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
                cached += filter(None, (look.checked_standing(c, cylinder_id),))
            except StoreIsBroken as wrong:
                problems.append(str(wrong))
        c.execute("select count(*) from fact")
        counted = c.fetchone()
        unsent = look.backlog(c).facts
        not_believed = _not_believed(c)
    return Report(
        node=store.author.node,
        epoch=node.feed.epoch,
        position=node.feed.position,
        feed_hash=node.feed.feed_hash,
        standing_digest=digest(cached),
        facts=number(counted[0]) if counted else 0,
        unsent=unsent,
        problems=tuple(problems),
        not_believed=not_believed,
    )


def _chain_problems(store: BranchStore) -> list[str]:
    head: Head | None = None
    for sealed in store.own_log():
        try:
            (link,) = links([sealed])
        except Malformed as wrong:
            return [f"own log: {wrong}"]
        place = link.envelope.place
        with store.reading() as c:
            key = trusted_key(c, store.author.node, place.key_id)
        if key is None:
            return [f"own log: {place.seq} is signed by a key that was never this node's"]
        try:
            verify(sealed, key)
        except Forged as wrong:
            return [f"own log: {wrong}"]
        verdict = judge([link], head or Head(place.inc), known={})
        if verdict.answer != "accepted":
            return [f"own log breaks at {place.seq}: {verdict.answer}"]
        head = Head(place.inc, place.seq, link.hash)
    return []


def _feed_problems(c: Cursor, position: int, feed_hash: str) -> list[str]:
    c.execute(_FEED_STATES)
    before, due = NO_HASH, 1
    for row in c.fetchall():
        if number(row[0]) != due:
            return [f"the feed misses position {due}"]
        before = next_feed_hash(before, sealed_of(row[1]).hash)
        if before != row[2]:
            return [f"the cumulative hash kept at position {due} is not what the envelopes give"]
        due += 1
    if due - 1 != position:
        return [f"the cursor says {position}, the feed ends at {due - 1}"]
    return [] if before == feed_hash else ["the cumulative hash is not what the envelopes give"]


_FEED_STATES = """
select s.position, s.state, h.feed_hash from (
    select position, state from fact_state where position is not null
    union all select position, state from unread_item where position is not null
) s left join feed_copy h on h.position = s.position order by s.position
"""


def _not_believed(c: Cursor) -> tuple[str, ...]:
    """What was read off the feed and does not count: it keeps its position, may block, and is never good news."""
    c.execute("select position, state from unread_item where position is not null order by position")
    unread = [_unread(number(row[0]), sealed_of(row[1])) for row in c.fetchall()]
    c.execute("select node, seq, position from fact where is_proven = 0 order by node, seq")
    unproven = [_unproven(text(row[0]), number(row[1]), row[2]) for row in c.fetchall()]
    return (*unread, *unproven)


def _unread(position: int, sealed: Sealed) -> str:
    try:
        place = link_of(sealed).envelope.place
    except Malformed:
        return f"position {position} of the feed cannot be read"
    return f"position {position} of the feed repeats a fact under a signature that is not {place.node}'s"


def _unproven(node: str, seq: int, position: object) -> str:
    where = "" if position is None else f", position {number(position)} of the feed"
    return f"{node} {seq}{where}: no key that is known here bears out its signature"


def rebuild(store: BranchStore) -> int:
    """Fold every cached standing again from the facts, in one transaction; gives how many had to change."""
    changed = 0
    with store.writing() as tx:
        subjects = [cylinder_subject(one) for one in Filing(tx.c).every()]
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
