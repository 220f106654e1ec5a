"""One behaviour in two stores of a shop: the twin in memory, which the simulation uses, and SQLite, which shops use.

The same random operations go through the protocol core on both; after each of them the same answer came, and the same
bytes lie at the same places.
"""

from __future__ import annotations

import base64
import datetime as dt
import random
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TypeVar
from uuid import UUID

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.simulation.memory_branch import BranchState, MemoryBranchLog

from branch.store import BranchStore
from branch.store.rows import node_row, number, sealed_of, text
from eventlog.chain import Head
from eventlog.envelope import Malformed, Place, Sealed, seal
from eventlog.event import NO_HASH, Effect, Event, Seen
from eventlog.feed import NewEpoch, PageRefused, next_feed_hash
from eventlog.keys import key_id, public_text
from eventlog.wire import FeedItem, FeedPage
from sync import at_branch, beats, epochs
from sync.at_branch import Author, HubSays, PageTaken, StartAgain
from sync.beats import BeatAnswer
from sync.branch_log import BranchLog
from sync.epochs import HashAt, Search
from sync.opening import link_of
from sync.standpoint import Fresh

SEEDS = range(12)
OPERATIONS = 90
NOW = dt.datetime(2026, 6, 15, 9, 30, tzinfo=dt.UTC)
Result = TypeVar("Result")


class Writer:
    """Another node, or an earlier life of this one, whose envelopes reach the feed."""

    def __init__(self, chance: random.Random, node: str, key: Ed25519PrivateKey) -> None:
        self.chance, self.node, self.key = chance, node, key
        self.inc, self.seq, self.before = UUID(int=chance.getrandbits(128)), 0, NO_HASH

    def says(self, event: Event) -> Sealed:
        """The next envelope of this log."""
        self.seq += 1
        place = Place(self.node, key_id(self.key.public_key()), self.inc, self.seq, self.before)
        sealed = seal(event, place, recorded_at=NOW, key=self.key)
        self.before = sealed.hash
        return sealed


@dataclass
class Feed:
    """What a hub gives out, whether or not it should."""

    epoch: str = "e1"
    sealed: list[Sealed] = field(default_factory=list)
    hashes: list[str] = field(default_factory=lambda: [NO_HASH])

    def put(self, one: Sealed) -> None:
        """The next position."""
        self.sealed.append(one)
        self.hashes.append(next_feed_hash(self.hashes[-1], one.hash))

    def cut(self, position: int, epoch: str) -> None:
        """A hub from a backup, under a new epoch."""
        del self.sealed[position:]
        del self.hashes[position + 1 :]
        self.epoch = epoch

    def page(self, after: int, limit: int) -> FeedPage:
        """Positions after one."""
        some = self.sealed[after : after + limit]
        items = tuple(
            FeedItem(
                position=after + n, received_at=NOW, raw=one.raw.decode(),
                signature=base64.b64encode(one.signature).decode(),
            )
            for n, one in enumerate(some, start=1)
        )  # fmt: skip
        at = min(after + len(some), len(self.sealed))
        return FeedPage(
            epoch=self.epoch, after=after, head=len(self.sealed), items=items, feed_hash=self.hashes[at], hub_time=NOW
        )  # fmt: skip


class Twins:
    """Both stores of one shop, asked the same."""

    def __init__(self, folder: Path, author: Author, hub_key: Ed25519PrivateKey) -> None:
        self.author = author
        self.state = BranchState()
        self.store = BranchStore(folder / "branch.sqlite", author, hub_node="hub")
        keys = (("hub", hub_key.public_key()), (author.node, author.key.public_key()))
        with self.store.writing() as tx:
            for node, key in keys:
                tx.trust(node, public_text(key), node)
                self.state.keys[node, key_id(key)] = key

    def ask(self, work: Callable[[BranchLog], Result]) -> Result | str:
        """The same transaction on both: the same answer, or the same refusal and nothing kept."""
        trial = self.state.copy()
        in_memory: Result | str
        in_sqlite: Result | str
        try:
            in_memory = work(MemoryBranchLog(trial, node=self.author.node, hub_node="hub"))
            self.state = trial
        except PageRefused as refused:
            in_memory = refused.reason
        try:
            with self.store.writing() as tx:
                in_sqlite = work(tx.log)
        except PageRefused as refused:
            in_sqlite = refused.reason
        assert in_sqlite == in_memory
        return in_memory

    def compare(self) -> None:
        """The same bytes at the same places."""
        state = self.state
        with self.store.reading() as c:

            def rows(sql: str) -> list[tuple[object, ...]]:
                c.execute(sql)
                return c.fetchall()

            assert node_row(c) == state.here
            facts = {
                UUID(text(row[0])): (UUID(text(row[1])), row[2], row[3], row[4])
                for row in rows("select event_id, inc, seq, envelope_hash, position from fact")
            }
            chain = {
                (UUID(text(row[0])), number(row[1])): sealed_of(row[2])
                for row in rows("select originator_id, originator_version, state from stored_events")
            }
            beside = {
                text(row[0]): (sealed_of(row[1]), text(row[2]))
                for row in rows("select envelope_hash, state, why from envelope_beside")
            }
            unread = {
                text(row[0]): (row[1], sealed_of(row[2]))
                for row in rows("select envelope_hash, position, state from unread_item")
            }
            feed = {number(row[0]): text(row[1]) for row in rows("select position, feed_hash from feed_copy")}
            given = {text(row[0]): text(row[1]) for row in rows("select envelope_hash, epoch from given")}
            unproven = {UUID(text(row[0])) for row in rows("select event_id from fact where is_proven = 0")}
            states = {
                UUID(text(row[0])): sealed_of(row[1])
                for row in rows("select event_id, state from fact_state")
            }
        assert facts == {one: (k.inc, k.seq, k.hash, k.position) for one, k in state.facts.items()}
        assert chain == {place: state.envelopes[found] for place, found in state.chain.items()}
        assert unread == {found: (at, state.envelopes[found]) for found, at in state.unread.items()}
        assert {found: why for found, (_, why) in beside.items() if why} == state.aside
        kept = {one.hash: one for one in chain.values()} | {found: one for found, (one, _) in beside.items()}
        assert kept | {found: one for found, (_, one) in unread.items()} == state.envelopes
        assert states == {one: state.envelopes[k.hash] for one, k in state.facts.items()}
        assert (feed, given, unproven) == (state.feed, state.given, set(state.unproven))


@dataclass
class Walk:
    """A random life of one shop."""

    twins: Twins
    chance: random.Random
    hub: Writer
    others: list[Writer]
    feed: Feed = field(default_factory=Feed)
    done: dict[str, int] = field(default_factory=dict)

    def new_id(self) -> UUID:
        """The next id of this seed."""
        return UUID(int=self.chance.getrandbits(128), version=4)

    def event(self, kind: str, subject: str, body: dict[str, object] | None = None) -> Event:
        """A fact of whatever kind."""
        effect = self.chance.choice(list(Effect)) if kind.startswith("cylinder.") else Effect.NEUTRAL
        return Event.model_validate(
            {
                "id": self.new_id(), "kind": kind, "v": 1, "effect": effect, "subject": subject, "body": body or {},
                "performed_on": NOW.date(), "at": NOW, "seen": Seen(), "actor": "a", "role": "inspector",
                "software": "test",
            }
        )  # fmt: skip

    def cylinder_event(self) -> Event:
        """A fact about one of a few cylinders, of a kind that no software knows."""
        return self.event("cylinder.sighted", f"cylinder/{UUID(int=self.chance.randrange(4))}")

    def own_run(self) -> tuple[Sealed, ...]:
        """What this shop has not had acknowledged."""
        here = self.twins.state.here
        assert here is not None
        most = self.chance.randint(1, 6)
        found = self.twins.ask(lambda log: log.own_after(here.inc, here.acked_seq, most))
        assert not isinstance(found, str)
        return found

    def step(self) -> None:
        """One random operation."""
        moves: list[Callable[[], object]] = [
            self.write, self.write, self.push, self.push, self.others_write, self.others_write, self.read,
            self.read, self.read, self.read_ready_file, self.strange_item, self.enrol, self.start_again, self.hub_is_restored,
            self.give_back, self.alert, self.beat,
        ]  # fmt: skip
        move = self.chance.choice(moves)
        self.done[move.__name__] = self.done.get(move.__name__, 0) + 1
        move()

    def write(self) -> None:
        events = [self.cylinder_event() for _ in range(self.chance.randint(1, 3))]
        self.twins.ask(lambda log: at_branch.write(log, self.twins.author, events, now=NOW))

    def push(self) -> None:
        run = self.own_run()
        known = {one.hash for one in self.feed.sealed}
        for one in run:
            if one.hash not in known:
                self.feed.put(one)
        if run:
            place = link_of(run[-1]).envelope.place
            head = Head(place.inc, place.seq, run[-1].hash)
            answer = self.chance.choice(["accepted", "accepted", "accepted", "same", "broken"])
            self.twins.ask(lambda log: at_branch.take_push_answer(log, HubSays(answer, head, "why")))

    def others_write(self) -> None:
        self.feed.put(self.chance.choice(self.others).says(self.cylinder_event()))

    def strange_item(self) -> None:
        """What a hub should not give out: not readable, forged, a fork, or a known fact in another node's name."""
        writer = self.chance.choice(self.others)
        match self.chance.randrange(4):
            case 0:
                self.feed.put(
                    Sealed(raw=f'{{"n":{self.chance.getrandbits(60)}}}'.encode(), signature=bytes(64))
                )
            case 1:
                good = writer.says(self.cylinder_event())
                self.feed.put(Sealed(raw=good.raw, signature=bytes(64)))
            case 2 if writer.seq:
                place = Place(
                    writer.node, key_id(writer.key.public_key()), writer.inc, self.chance.randint(1, writer.seq),
                    NO_HASH,
                )  # fmt: skip
                self.feed.put(seal(self.cylinder_event(), place, recorded_at=NOW, key=writer.key))
            case _ if self.feed.sealed:
                try:
                    event = link_of(self.chance.choice(self.feed.sealed)).envelope.event
                except Malformed:
                    return
                self.feed.put(Writer(self.chance, writer.node, writer.key).says(event))

    def enrol(self) -> None:
        writer = self.chance.choice(self.others)
        public = writer.key.public_key()
        body: dict[str, object] = {
            "node": writer.node, "key_id": key_id(public), "public_key": public_text(public), "name": writer.node,
        }  # fmt: skip
        self.feed.put(self.hub.says(self.event("node.enrolled", f"node/{writer.node}", body)))

    def read(self) -> None:
        here = self.twins.state.here
        assert here is not None
        page = self.feed.page(min(here.feed.position, len(self.feed.sealed)), self.chance.randint(1, 9))
        try:
            found = self.twins.ask(lambda log: at_branch.take_page(log, page, heard_at=NOW))
        except NewEpoch:
            raise AssertionError("the twins catch it") from None
        if isinstance(found, StartAgain):
            self.start_again()
        elif here.feed.epoch not in ("none", self.feed.epoch):
            self.follow()

    def read_ready_file(self) -> None:
        """Pages of a file that the hub packed a while ago: as the feed's own, but none of them reaches the head."""
        here = self.twins.state.here
        assert here is not None
        if here.feed.epoch not in ("none", self.feed.epoch):
            return
        for _ in range(2):
            page = self.feed.page(self.twins.state.here.feed.position, 5) if self.twins.state.here else None
            if page is None or not page.items:
                return
            found = self.twins.ask(partial(_take_from_file, page.model_copy(update={"head": page.head + 1})))
            if isinstance(found, StartAgain):
                self.start_again()
                return
            assert isinstance(found, str) or not found.is_at_head

    def follow(self) -> None:
        """Search the last common position and adopt the new epoch."""
        here = self.twins.state.here
        assert here is not None
        search = epochs.begin_search(here, epoch=self.feed.epoch, head=len(self.feed.sealed))
        while not search.is_over:
            asks = search.asks
            said = HashAt(self.feed.epoch, asks, self.feed.hashes[asks])
            heard = self.twins.ask(partial(_hear, search, said))
            assert isinstance(heard, Search)
            search = heard
        over = search
        self.twins.ask(lambda log: epochs.adopt(log, over))

    def start_again(self) -> None:
        fresh = Fresh(self.new_id(), self.new_id())
        reason = self.chance.choice(["restore", "fork"])
        self.twins.ask(
            lambda log: at_branch.begin_again(log, self.twins.author, fresh, reason=reason, now=NOW)
        )

    def hub_is_restored(self) -> None:
        if len(self.feed.sealed) > 3 and self.chance.random() < 0.4:
            self.feed.cut(self.chance.randrange(len(self.feed.sealed)), f"e{self.chance.getrandbits(32)}")

    def give_back(self) -> None:
        here = self.twins.state.here
        assert here is not None
        most = self.chance.randint(1, 8)
        run = self.twins.ask(lambda log: log.unplaced(here.feed.epoch, but_of=here.inc, most=most))
        assert not isinstance(run, str)
        taken = [one for one in run if self.chance.random() < 0.8]
        known = {one.hash for one in self.feed.sealed}
        for one in taken:
            if one.hash not in known and self.feed.epoch == here.feed.epoch:
                self.feed.put(one)
        hashes = [one.hash for one in taken]
        self.twins.ask(lambda log: epochs.given_back(log, self.feed.epoch, hashes))

    def alert(self) -> None:
        """An envelope overtakes its log into the feed."""
        run = self.own_run()
        if run and run[-1].hash not in {one.hash for one in self.feed.sealed}:
            self.feed.put(run[-1])

    def beat(self) -> None:
        beat_id, ticket = self.new_id(), str(self.new_id())
        beat = self.twins.ask(lambda log: beats.to_beat(log, beat_id))
        if isinstance(beat, beats.Beat):
            answer = BeatAnswer("ok", beat.inc, ticket)
            self.twins.ask(lambda log: beats.take_beat_answer(log, answer))


def _take_from_file(page: FeedPage, log: BranchLog) -> PageTaken | StartAgain:
    return at_branch.take_page(log, page, heard_at=NOW)


def _hear(search: Search, said: HashAt, log: BranchLog) -> Search | None:
    return epochs.hear(log, search, said)


def a_key(chance: random.Random) -> Ed25519PrivateKey:
    return Ed25519PrivateKey.from_private_bytes(chance.randbytes(32))


def a_walk(folder: Path, seed: int) -> Walk:
    chance = random.Random(seed)
    author, hub_key = Author("pier", a_key(chance), "test"), a_key(chance)
    twins = Twins(folder, author, hub_key)
    walk = Walk(
        twins, chance, Writer(chance, "hub", hub_key),
        [Writer(chance, "reef", a_key(chance)), Writer(chance, "quay", a_key(chance)), Writer(chance, "pier", author.key)],
    )  # fmt: skip
    twins.ask(
        lambda log: at_branch.open_log(
            log, author, Fresh(uuid.UUID(int=1), uuid.UUID(int=2)), reason="first", now=NOW
        )
    )
    return walk


@pytest.mark.parametrize("seed", SEEDS)
def test_the_same_operations_leave_the_same_bytes_in_memory_and_in_sqlite(tmp_path: Path, seed: int) -> None:
    walk = a_walk(tmp_path, seed)
    for _ in range(OPERATIONS):
        walk.step()
        walk.twins.compare()
    walk.twins.store.close()


def test_the_walks_come_by_every_kind_of_row(tmp_path: Path) -> None:
    """Otherwise the comparison above would compare nothing with nothing."""
    found: dict[str, int] = {}
    for seed in range(4):
        (tmp_path / str(seed)).mkdir()
        walk = a_walk(tmp_path / str(seed), seed)
        for _ in range(OPERATIONS):
            walk.step()
        state = walk.twins.state
        for name in ("aside", "unread", "unproven", "given"):
            found[name] = found.get(name, 0) + len(getattr(state, name))
        with walk.twins.store.reading() as c:
            c.execute("select count(*) from envelope_beside where why = ''")
            row = c.fetchone()
        found["loose"] = found.get("loose", 0) + number((row or (0,))[0])
        walk.twins.store.close()
    assert all(found[name] > 0 for name in ("aside", "unread", "unproven", "given", "loose")), found


def test_a_database_of_older_software_gets_what_it_lacks_and_loses_nothing(tmp_path: Path) -> None:
    walk = a_walk(tmp_path, 77)
    for _ in range(12):
        walk.write()
        walk.push()
        walk.read()
    here = walk.twins.state.here
    assert here is not None
    store = walk.twins.store
    with store.writing() as tx:
        for view in ("fact_state", "feed_entry"):
            tx.c.execute(f"drop view {view}")
        for column in ("relearning", "ticket", "parent", "is_suspected"):
            tx.c.execute(f"alter table node drop column {column}")
        for table in ("feed_copy", "envelope_beside", "unread_item", "given", "hub_word", "gap"):
            tx.c.execute(f"drop table {table}")
    store.close()
    walk.twins.store = BranchStore(tmp_path / "branch.sqlite", walk.twins.author, hub_node="hub")
    walk.twins.state.here = replace(here, ticket="", parent=None, relearning="")
    walk.twins.compare()
    assert len(walk.twins.state.feed) > 10
    walk.twins.store.close()
