"""Eight writers and a reader who follows them: every position is seen once, in order, as it is committed."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from threading import Event as Flag
from threading import Thread

import psycopg
import pytest
from tests.network.shop import Shop, let_shop_in, now

from eventlog.chain import links
from eventlog.event import NO_HASH
from eventlog.feed import next_feed_hash
from network.hub import Hub
from network.store.database import Database
from network.store.log import PostgresHubLog
from network.store.pages import Stored, page
from network.store.recorder import LibraryFunctionsAreOn, open_recorder
from network.verify import check_log
from sync.at_hub import append

pytestmark = pytest.mark.wire

WRITERS = 8
BATCHES = 25
SIZES = (1, 3, 20)


class Tail:
    """Follows the feed by position, in a thread and with a connection of its own."""

    def __init__(self, url: str) -> None:
        self.seen: list[Stored] = []
        self._database = Database(url)
        self._enough = Flag()
        self._thread = Thread(target=self._follow)

    def _follow(self) -> None:
        while True:
            # Asked before the look: what was committed before the flag is seen by the last look.
            is_last = self._enough.is_set()
            with self._database.transaction() as tx:
                found = page(tx, after=len(self.seen), limit=1000)
            self.seen.extend(found.items)
            if is_last and not found.items:
                return

    @contextmanager
    def following(self) -> Iterator[None]:
        self._thread.start()
        try:
            yield
        finally:
            self._enough.set()
            self._thread.join(60)
            self._database.close()


def test_a_tailing_reader_sees_every_position_once_and_in_order(hub: Hub) -> None:
    shops = [Shop(f"shop-{n}") for n in range(WRITERS)]
    for shop in shops:
        let_shop_in(hub, shop)
        shop.open()
    before = hub.head().position
    total = sum(SIZES[n % len(SIZES)] for n in range(BATCHES)) * WRITERS + WRITERS
    tail = Tail(hub.database.url)

    with tail.following(), ThreadPoolExecutor(WRITERS) as pool:
        written = list(pool.map(lambda shop: _write(hub.database.url, shop), shops))

    assert sum(written) == total
    assert [one.position for one in tail.seen] == list(range(1, before + total + 1))
    feed_hash = NO_HASH
    for one in tail.seen:
        feed_hash = next_feed_hash(feed_hash, one.sealed.hash)
        assert one.feed_hash == feed_hash
    assert check_log(hub.database, hub_key=hub.key.public_key()).problems == []


def test_a_rolled_back_append_leaves_no_hole(hub: Hub, reef: Shop) -> None:
    reef.record()
    before = hub.head()
    with pytest.raises(ZeroDivisionError):
        _append_and_fail(hub, reef)
    assert hub.head() == before
    with hub.database.transaction() as tx:
        appended = append(PostgresHubLog(tx, hub.recorder), links(reef.log), now=now())
    assert appended.position == before.position + 2


def test_one_fact_in_two_shops_logs_at_once_gets_one_position(hub: Hub) -> None:
    # Two nodes publish the same fact id at the same moment (a clone, or a fact given back): one position.
    shops = [Shop("left"), Shop("right")]
    shared = [uuid.uuid4() for _ in range(20)]
    for shop in shops:
        let_shop_in(hub, shop)
        shop.open()
        for fact_id in shared:
            shop.record(event_id=fact_id)
    before = hub.head().position

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda shop: _push_each(hub.database.url, shop), shops))

    assert hub.head().position == before + len(shared) + len(shops)
    with psycopg.connect(hub.database.url) as connection:
        row = connection.execute(
            "select count(*), count(distinct event_id), max(position) from feed"
        ).fetchone()
    assert row is not None
    assert row[0] == row[1] == row[2]


def test_a_long_idle_transaction_does_not_hold_the_feed_up(hub: Hub, reef: Shop) -> None:
    with psycopg.connect(hub.database.url) as idle:
        idle.execute(
            "select pg_current_xact_id()"
        )  # an open transaction with an id of its own, like a forgotten console
        with hub.database.transaction() as tx:
            appended = append(PostgresHubLog(tx, hub.recorder), links(reef.log), now=now())
        with hub.database.transaction() as tx:
            assert page(tx, after=0, limit=1000).items[-1].position == appended.position


def test_the_hub_does_not_start_with_the_librarys_functions(hub: Hub) -> None:
    hub.database.datastore.enable_db_functions = True
    with pytest.raises(LibraryFunctionsAreOn):
        open_recorder(hub.database)


def _append_and_fail(hub: Hub, shop: Shop) -> None:
    with hub.database.transaction() as tx:
        append(PostgresHubLog(tx, hub.recorder), links(shop.log), now=now())
        raise ZeroDivisionError


def _write(url: str, shop: Shop) -> int:
    database = Database(url)
    recorder = open_recorder(database)
    sent = 0
    for n in range(BATCHES):
        for _ in range(SIZES[n % len(SIZES)]):
            shop.record()
        with database.transaction() as tx:
            appended = append(PostgresHubLog(tx, recorder), links(shop.log[sent:]), now=now())
        assert appended.verdict.answer == "accepted"
        sent = len(shop.log)
    database.close()
    return sent


def _push_each(url: str, shop: Shop) -> None:
    database = Database(url)
    recorder = open_recorder(database)
    for one in shop.log:
        with database.transaction() as tx:
            append(PostgresHubLog(tx, recorder), links([one]), now=now())
    database.close()
