"""One standing in three stores: a random history of blocks, clears, people, keys and identities is folded in memory, in
a shop's SQLite and in the hub's PostgreSQL, in another order and other batches in each. The digests are the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from random import Random
from uuid import UUID

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.branch.a_shop import make_shop
from tests.cylinder.given import NOW
from tests.cylinder.histories import drawn
from tests.network.shop import hub_settings, make_hub, now

from branch.store import views as look
from branch.verify import rebuild as rebuild_shop
from cylinder.facts import UnknownFact
from cylinder.gather import Filed
from cylinder.recorded import Origin, Recorded, origin_of, recorded
from cylinder.standing import digest
from eventlog.chain import LOG_OPENED, Link
from eventlog.envelope import Place, read, seal
from eventlog.event import NO_HASH, Effect, Event, Seen
from network.hub import Hub
from network.projections.cylinders import cylinders, standing_digest
from network.projections.exposures import exposures
from network.projections.projection import catch_up_once, rebuild
from network.store.log import PostgresHubLog
from network.verify import check_log
from sync.at_hub import append

pytestmark = pytest.mark.wire
KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
SEEDS = range(8)


@pytest.fixture
def hub(fresh_database: str, tmp_path: Path) -> Iterator[Hub]:
    hub = make_hub(hub_settings(fresh_database, tmp_path))
    yield hub
    hub.close()


def chained(history: list[Recorded]) -> list[Link]:
    """The history as its nodes would have sealed it, in the order of each log. One id once, as a store holds it."""
    heads: dict[UUID, tuple[int, str]] = {}
    made: list[Link] = []
    for fact in {one.id: one for one in history}.values():
        at = fact.origin
        if at.inc not in heads:
            opened = Event(
                id=at.inc, kind=LOG_OPENED, v=1, effect=Effect.NEUTRAL, subject=f"node/{at.node}", body={},
                performed_on=NOW.date(), at=NOW, seen=Seen(), actor="node", role="node", software="test",
            )  # fmt: skip
            made.append(_next(heads, at, opened))
        made.append(_next(heads, at, _event(fact)))
    return made


def _next(heads: dict[UUID, tuple[int, str]], at: Origin, event: Event) -> Link:
    seq, before = heads.get(at.inc, (0, NO_HASH))
    sealed = seal(event, Place(at.node, at.key_id, at.inc, seq + 1, before), recorded_at=NOW, key=KEY)
    heads[at.inc] = (seq + 1, sealed.hash)
    return Link(sealed, read(sealed.raw), sealed.hash)


def _event(fact: Recorded) -> Event:
    known = not isinstance(fact.fact, UnknownFact)
    return Event(
        id=fact.id, kind=fact.kind, v=fact.fact.V if known else 9, effect=Effect(fact.effect), subject=fact.subject,
        body=fact.fact.model_dump(mode="json") if known else {"from": "newer software"},
        performed_on=fact.performed_on, at=fact.at, seen=Seen(), actor=fact.actor, role=fact.role, software="test",
        clears=fact.clears,
    )  # fmt: skip


def in_memory(history: list[Link]) -> str:
    filed = Filed()
    for link in history:
        filed.put(recorded(link.envelope.event, origin_of(link.envelope.place)))
    return digest(map(filed.standing, filed.cylinders()))


@pytest.mark.parametrize("seed", SEEDS)
def test_the_same_facts_give_the_same_standings_in_every_store(hub: Hub, tmp_path: Path, seed: int) -> None:
    random = Random(seed)
    history = chained(drawn(random, most=40))
    expected = in_memory(history)
    shop = make_shop(tmp_path)
    shuffled = random.sample(history, k=len(history))
    while shuffled:
        with shop.node.store.writing() as tx:
            for link in shuffled[: (size := random.randint(1, 5))]:
                tx.log.keep(link, position=None, is_proven=True)
            tx.log.folded.settle(tx.c)
        del shuffled[:size]
    with shop.node.store.reading() as cursor:
        assert look.standing_digest(cursor) == expected
    assert rebuild_shop(shop.node.store) == 0
    shop.node.store.close()
    _publish(hub, history, random)
    with hub.database.transaction() as tx:
        assert standing_digest(tx) == expected
    rebuild(hub.database, cylinders)
    rebuild(hub.database, exposures)
    with hub.database.transaction() as tx:
        assert standing_digest(tx) == expected
    assert check_log(hub.database, hub_key=KEY.public_key()).standing_digest == expected


def _publish(hub: Hub, history: list[Link], random: Random) -> None:
    """Each log in its own order, the logs in any order, projections catching up now and then."""
    logs: dict[object, list[Link]] = {}
    for link in history:
        logs.setdefault(link.envelope.place.inc, []).append(link)
    waiting = list(logs.values())
    while waiting:
        log = random.choice(waiting)
        with hub.database.transaction() as tx:
            append(PostgresHubLog(tx, hub.recorder), log[: (size := random.randint(1, 6))], now=now())
        del log[:size]
        waiting = [log for log in waiting if log]
        if random.random() < 0.5:
            catch_up_once(hub.database, cylinders, limit=random.randint(1, 7))
            catch_up_once(hub.database, exposures, limit=random.randint(1, 7))
    while catch_up_once(hub.database, cylinders, limit=random.randint(1, 7)):
        pass
