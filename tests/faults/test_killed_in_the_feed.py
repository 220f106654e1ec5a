"""SIGKILL while a shop takes pages of the feed: cursor and facts move together, whatever moment it was."""

from __future__ import annotations

import random
import sqlite3
import uuid
from collections.abc import Callable, Iterator
from contextlib import closing
from threading import Event
from time import sleep

import pytest
from tests.conftest import new_database
from tests.faults.conftest import Faulty, faulty_network
from tests.journeys.a_network import wait_until

from eventlog.event import NO_HASH, Effect
from eventlog.feed import next_feed_hash

pytestmark = [pytest.mark.wire, pytest.mark.slow]

KILLS = 6
PAGES_BETWEEN = 3
ITEMS_A_PAGE = 4


@pytest.fixture
def faulty(tmp_path_factory: pytest.TempPathFactory, postgres_url: str) -> Iterator[Faulty]:
    """The shop is given the feed in pages of four."""
    with (
        new_database(postgres_url) as database_url,
        faulty_network(tmp_path_factory.mktemp("killed"), database_url, page_limit=ITEMS_A_PAGE) as made,
    ):
        yield made


def test_killed_at_any_moment_of_a_page_a_shop_goes_on_where_it_stood(faulty: Faulty) -> None:
    """Six kills, each some milliseconds after a page went over the line; a fixed seed chooses."""
    chance, lantern = random.Random(20261125), faulty.lantern
    lantern.program.kill()
    blocked = [str(uuid.uuid4()) for _ in range(2 * KILLS * PAGES_BETWEEN * ITEMS_A_PAGE)]
    for cylinder_id in blocked:
        faulty.gannet_records("cylinder.condemned", f"cylinder/{cylinder_id}", Effect.BLOCK)
    faulty.gannet_pushes()
    stood: list[int] = []
    for _ in range(KILLS):
        page_went = Event()
        faulty.line.when_passed = after_pages(2 + chance.randrange(PAGES_BETWEEN - 1), page_went)
        lantern.begin()
        assert page_went.wait(20)
        sleep(chance.random() * 0.015)
        lantern.program.kill()
        stood.append(whole_up_to(faulty))
    # A page is asked for when the one before it is committed, and two went over the line each time.
    assert stood == sorted(set(stood))
    faulty.line.when_passed = lambda what: None
    lantern.program.start()
    wait_until(lambda: whole_up_to(faulty) == faulty.served.hub.head().position, "the whole feed is taken")
    assert all(lantern.is_blocked(cylinder_id) for cylinder_id in blocked)
    assert lantern.program.report()["problems"] == []


def after_pages(pages: int, went: Event) -> Callable[[str], None]:
    """Says when so many pages have gone over the line."""
    to_come = pages

    def passed(what: str) -> None:
        nonlocal to_come
        if what == "feed":
            to_come -= 1
            if to_come <= 0:
                went.set()

    return passed


def whole_up_to(faulty: Faulty) -> int:
    """The cursor; the facts that stand at its positions are exactly those up to it, and give its hash."""
    with closing(sqlite3.connect(faulty.lantern.database)) as database:
        (position, feed_hash), *_ = database.execute("select position, feed_hash from node")
        facts = list(
            database.execute(
                "select position, envelope_hash from fact where position is not null order by position"
            )
        )
    assert [row[0] for row in facts] == list(range(1, position + 1))
    before = NO_HASH
    for _, envelope_hash in facts:
        before = next_feed_hash(before, envelope_hash)
    assert before == feed_hash
    return int(position)
