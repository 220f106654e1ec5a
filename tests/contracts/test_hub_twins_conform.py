"""The protocol's core over both storages of the hub: the twin in memory and PostgreSQL do the same, byte for byte.

Random appends, repeats, gaps, forks, give-backs in any order, foreign and forged envelopes, withdrawn keys, beats and new
epochs, some of them rolled back before the commit. Every answer is compared, and at the end everything that is stored.
What the simulation shows on the twin, it shows of the hub as far as this holds.
"""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar
from uuid import UUID

import psycopg
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.network.shop import hub_settings, make_hub
from tests.simulation.memory_hub import HubState, MemoryHubLog

from eventlog.chain import LOG_OPENED, Link
from eventlog.envelope import Place, Sealed, seal
from eventlog.event import NO_HASH, Effect, Event, Seen
from eventlog.keys import key_id, public_text
from network.hub import Hub
from network.store.log import PostgresHubLog
from sync import at_hub, beats
from sync.beats import Beat
from sync.hub_log import AnotherNodesLog, FeedEnd, HubLog, Turn
from sync.opening import link_of

pytestmark = pytest.mark.wire

SEEDS = tuple(range(12))
STEPS = 70
START = dt.datetime(2026, 3, 1, 8, tzinfo=dt.UTC)
HUB = "hub"
NODES = ("reef", "quay", "pier")
Result = TypeVar("Result")


class _BrokenOff(Exception):
    """The transaction ends before its commit."""


@dataclass
class Writer:
    """One incarnation of a node's log, as its holder knows it."""

    node: str
    key: Ed25519PrivateKey
    inc: UUID
    log: list[Sealed] = field(default_factory=list)

    def write(self, event: Event) -> Sealed:
        prev = self.log[-1].hash if self.log else NO_HASH
        place = Place(self.node, key_id(self.key.public_key()), self.inc, len(self.log) + 1, prev)
        self.log.append(seal(event, place, recorded_at=event.at, key=self.key))
        return self.log[-1]


class Both:
    """The same work on both storages; what one answers, the other must answer."""

    def __init__(self, hub: Hub, seed: int) -> None:
        self.hub = hub
        self.rng = random.Random(seed)
        self.now = START
        self.state = _state_of(hub)
        self.own = Writer(HUB, hub.key, hub.own_log.inc, list(_own_envelopes(hub)))
        self.keys = {node: Ed25519PrivateKey.from_private_bytes(self.rng.randbytes(32)) for node in NODES}
        self.writers = [self._writer(node) for node in NODES]
        self.made: list[Sealed] = list(self.own.log)
        self.tickets: dict[UUID, list[str]] = {}
        self.verdicts: set[str] = set()
        for node in NODES[:2]:  # The third is known only once its enrolment has come.
            self._enrol(node)
            self._push(self.own, 0)
        self._enrol(NODES[2])

    def step(self) -> None:
        """One random thing."""
        self.now += dt.timedelta(seconds=self.rng.randint(1, 90))
        self.rng.choices(
            [self._write_more, self._push_some, self._give_back, self._follow, self._fork, self._carry,
             self._revoke, self._beat, self._begin_epoch],
            weights=[8, 10, 8, 2, 2, 3, 1, 6, 1],
        )[0]()  # fmt: skip

    def do(self, work: Callable[[HubLog], Result]) -> Result | None:
        """In one transaction each; None when both were broken off."""
        is_broken_off = self.rng.random() < 0.08
        trial = self.state.copy()
        expected = _outcome(lambda: work(MemoryHubLog(trial, hub_node=HUB)))

        def on_postgres() -> Result:
            with self.hub.database.transaction() as tx:
                done = work(PostgresHubLog(tx, self.hub.recorder))
                if is_broken_off:
                    raise _BrokenOff
                return done

        found = _outcome(on_postgres)
        if is_broken_off and not isinstance(expected, Exception):
            assert isinstance(found, _BrokenOff)
            return None
        if isinstance(expected, Exception):
            assert type(found) is type(expected)
            return None
        assert found == expected
        self.state = trial
        return expected

    # What happens.

    def _write_more(self) -> None:
        writer = self.rng.choice([*self.writers, self.own])
        for _ in range(self.rng.randint(1, 6)):
            self.made.append(writer.write(self._event()))

    def _push_some(self) -> None:
        writer = self.rng.choice([*self.writers, self.own])
        self._push(writer, self.rng.randrange(len(writer.log)))

    def _push(self, writer: Writer, first: int) -> None:
        run = [link_of(one) for one in writer.log[first : first + self.rng.randint(1, 12)]]
        self.do(lambda log: at_hub.append(log, run, now=self.now))

    def _give_back(self) -> None:
        run = self.rng.sample(self.made, min(len(self.made), self.rng.randint(1, 15)))
        if self.rng.random() < 0.3:
            run.append(replace(run[0], signature=self.rng.randbytes(64)))
            run.append(Sealed(b'{"not": "an envelope"}', b""))
        only_blocks = self.rng.random() < 0.2
        self.do(lambda log: at_hub.take_back(log, "reef", run, now=self.now, only_blocks=only_blocks))

    def _follow(self) -> None:
        """A node begins a new incarnation behind some number of the one before."""
        old = self.rng.choice(self.writers)
        left_at = self.rng.randint(1, len(old.log))
        parent = {"inc": str(old.inc), "seq": left_at, "hash": old.log[left_at - 1].hash}
        writer = Writer(old.node, old.key, self._id())
        self.made.append(writer.write(self._event(LOG_OPENED, {"parent": parent, "reason": "restore"})))
        self.writers.append(writer)

    def _fork(self) -> None:
        """A second copy of a log goes on from an older end."""
        old = self.rng.choice(self.writers)
        writer = Writer(old.node, old.key, old.inc, old.log[: self.rng.randint(1, len(old.log))])
        self.made.append(writer.write(self._event()))
        self.writers.append(writer)

    def _carry(self) -> None:
        """A known fact stands in another log again; now and then its id comes with another content."""
        known = link_of(self.rng.choice(self.made)).envelope.event
        if known.kind == LOG_OPENED:
            return
        if self.rng.random() < 0.3:
            known = known.model_copy(update={"body": {"other": self.rng.randrange(9)}})
        self.made.append(self.rng.choice(self.writers).write(known))

    def _revoke(self) -> None:
        node = self.rng.choice(NODES)
        body = {"node": node, "key_id": key_id(self.keys[node].public_key()), "trusted": [], "reason": "lost"}
        self.made.append(self.own.write(self._event("node.key_revoked", body)))
        self.do(lambda log: log.is_revoked(node, key_id(self.keys[node].public_key())))

    def _beat(self) -> None:
        writer = self.rng.choice(self.writers)
        given = self.tickets.setdefault(writer.inc, [""])
        beat = Beat(
            beat=self._id(), inc=writer.inc, parent=None, seq=len(writer.log),
            epoch=self.rng.choice([self.state.epoch, "another"]), position=self.rng.randrange(40),
            feed_hash=NO_HASH, ticket=self.rng.choice(given[-3:]),
        )  # fmt: skip
        ticket = self.rng.randbytes(8).hex()

        def work(log: HubLog) -> tuple[beats.BeatAnswer, bool]:
            return beats.take_beat(log, writer.node, beat, ticket=ticket), beats.feed_agrees(log, beat)

        for _ in range(self.rng.choice([1, 1, 2])):
            answered = self.do(work)
            if answered is not None:
                self.verdicts.add(answered[0].verdict)
                given.append(answered[0].ticket)

    def _begin_epoch(self) -> None:
        epoch = self.rng.randbytes(8).hex()
        self.do(lambda log: log.set_epoch(epoch, now=self.now))

    def _enrol(self, node: str) -> None:
        public = self.keys[node].public_key()
        body = {
            "node": node, "name": node.title(), "role": "branch",
            "key_id": key_id(public), "public_key": public_text(public),
        }  # fmt: skip
        sealed = self.own.write(self._event("node.enrolled", body))
        self.made.append(sealed)
        if node != NODES[2]:
            self.do(lambda log: log.register(link_of(sealed)))

    def _writer(self, node: str) -> Writer:
        writer = Writer(node, self.keys[node], self._id())
        writer.write(self._event(LOG_OPENED, {"parent": None, "reason": "first"}))
        return writer

    def _event(self, kind: str = "cylinder.seen", body: Mapping[str, object] | None = None) -> Event:
        effect = Effect.NEUTRAL if body else self.rng.choice(list(Effect))
        return Event.model_validate(
            {
                "id": self._id(), "kind": kind, "v": 1, "effect": effect, "subject": "cylinder/c-1",
                "body": body or {}, "performed_on": self.now.date(), "at": self.now, "seen": Seen(),
                "actor": "sam", "role": "operator", "software": "test",
            }
        )  # fmt: skip

    def _id(self) -> UUID:
        return UUID(bytes=self.rng.randbytes(16), version=4)


@pytest.fixture
def hub(fresh_database: str, tmp_path: Path) -> Iterator[Hub]:
    hub = make_hub(hub_settings(fresh_database, tmp_path))
    yield hub
    hub.close()


@pytest.mark.parametrize("seed", SEEDS)
def test_memory_and_postgres_answer_alike_and_store_the_same_bytes(hub: Hub, seed: int) -> None:
    both = Both(hub, seed)
    for _ in range(STEPS):
        both.step()
    assert _stored(hub) == _remembered(both.state)
    rows = both.do(lambda log: log.sealed_after(0, 10_000)) or both.do(
        lambda log: log.sealed_after(0, 10_000)
    )
    assert rows is not None
    assert len(rows) == len(both.state.feed)


def test_the_random_walks_meet_what_they_are_for(hub: Hub) -> None:
    """Without these, the comparison above would show little."""
    both = Both(hub, 4711)
    for _ in range(6 * STEPS):
        both.step()
    whys = {why for why, _, _ in both.state.loose.values()}
    assert whys == {"hole", "fork"}
    assert set(both.state.put_by.values()) >= {"forged", "malformed", "reused id"}
    assert both.state.repeats
    assert both.verdicts == {"ok", "stale", "clone"}
    assert len(both.state.epochs) > 1
    assert both.state.revoked
    assert ("pier", key_id(both.keys["pier"].public_key())) in both.state.keys
    assert _stored(hub) == _remembered(both.state)


def test_an_incarnation_of_another_node_is_refused_by_both(hub: Hub) -> None:
    both = Both(hub, 1)
    thief = Writer("quay", both.keys["quay"], both.writers[0].inc)
    thief.write(both._event(LOG_OPENED, {"parent": None, "reason": "first"}))
    both._push(both.writers[0], 0)
    run: list[Link] = [link_of(one) for one in thief.log]
    for log in (MemoryHubLog(both.state.copy(), hub_node=HUB), None):
        with pytest.raises(AnotherNodesLog), hub.database.transaction() as tx:
            at_hub.append(log or PostgresHubLog(tx, hub.recorder), run, now=both.now)


def _outcome(work: Callable[[], Result]) -> Result | Exception:
    try:
        return work()
    except (AnotherNodesLog, _BrokenOff) as raised:
        return raised


def _state_of(hub: Hub) -> HubState:
    """The twin of a new hub, with the same first facts."""
    with hub.database.transaction() as tx:
        log = PostgresHubLog(tx, hub.recorder)
        end, rows = log.feed_end(), log.sealed_after(0, 100)
    state = HubState(epoch=end.epoch)
    state.keys[HUB, key_id(hub.key.public_key())] = hub.key.public_key()
    twin = MemoryHubLog(state, hub_node=HUB)
    for _, received_at, sealed, _ in rows:
        at_hub.append(twin, [link_of(sealed)], now=received_at)
    assert twin.feed_end() == FeedEnd(end.epoch, end.position, end.feed_hash)
    return state


def _own_envelopes(hub: Hub) -> tuple[Sealed, ...]:
    with hub.database.transaction() as tx:
        rows = PostgresHubLog(tx, hub.recorder).sealed_after(0, 100)
    return tuple(sealed for _, _, sealed, _ in rows)


def _stored(hub: Hub) -> dict[str, object]:
    """Everything of the protocol that PostgreSQL holds."""
    with psycopg.connect(hub.database.url) as connection:

        def rows(statement: str) -> list[tuple[object, ...]]:
            return list(connection.execute(statement.encode()).fetchall())

        return {
            "heads": sorted(rows("select inc, node, seq, encode(hash, 'hex') from log_head")),
            "chain": sorted(rows("select originator_id, originator_version, state from stored_events")),
            "feed": rows(
                "select position, state, signature, encode(feed_hash, 'hex'), received_at, is_loose, event_id "
                "from numbered order by position"
            ),
            "loose": sorted(
                rows(
                    "select encode(envelope_hash, 'hex'), why, follows_seq, encode(follows_hash, 'hex') from loose"
                )
            ),
            "repeats": sorted(rows("select inc, seq, event_id from feed_repeat")),
            "aside": sorted(rows("select node, raw, reason from quarantine")),
            "keys": sorted(rows("select node, key_id, public_key from node_key where public_key <> ''")),
            "revoked": sorted(rows("select node, key_id from node_key where revoked_at is not null")),
            "turns": sorted(rows("select node, inc, current_ticket, previous_ticket, beat from turn")),
            "ended": sorted(rows("select node, inc, current_ticket, previous_ticket, beat from ended_turn")),
            "epochs": [
                row[1] for row in rows("select at, begins_after from epoch order by begins_after, at")
            ][1:],
            "epoch": rows("select epoch, position from feed_head"),
        }


def _remembered(state: HubState) -> dict[str, object]:
    """The same of the twin."""

    def turn(node: str, one: Turn) -> tuple[object, ...]:
        return (node, one.inc, one.current, one.previous, one.beat)

    return {
        "heads": sorted((inc, *found) for inc, found in state.heads.items()),
        "chain": sorted((*place, sealed.raw) for place, sealed in state.chain.items()),
        "feed": [
            (
                n,
                row.link.sealed.raw,
                row.link.sealed.signature,
                row.feed_hash,
                row.received_at,
                row.is_loose,
                row.link.envelope.event.id,
            )
            for n, row in enumerate(state.feed, start=1)
        ],
        "loose": sorted((found, *why) for found, why in state.loose.items()),
        "repeats": sorted((*place, event_id) for place, event_id in state.repeats.items()),
        "aside": sorted((*kept, reason) for kept, reason in state.put_by.items()),
        "keys": sorted((*name, public_text(key)) for name, key in state.keys.items()),
        "revoked": sorted(state.revoked),
        "turns": sorted(turn(node, one) for node, one in state.turns.items()),
        "ended": sorted(turn(node, one) for (node, _), one in state.ended.items()),
        "epochs": [position for _, position in state.epochs],
        "epoch": [(state.epoch, len(state.feed))],
    }
