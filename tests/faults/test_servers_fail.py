"""PostgreSQL stopped at once and started again, Valkey killed and emptied, processes that stand still: work goes on, nothing is lost."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import psycopg
import pytest
import redis
from tests.faults.a_shop_program import unseen
from tests.journeys.a_network import Network, ShopProgram, start_network, wait_until

from filltrail import servers
from filltrail.processes import Running, answers_ok, free_port

pytestmark = [pytest.mark.wire, pytest.mark.slow]

STOPS = 2
STANDS_STILL_S = 10.0


@dataclass
class Place:
    """A network with servers of its own, which may be stopped."""

    network: Network
    folder: Path
    postgres: Running
    valkey: Running

    @property
    def shop(self) -> ShopProgram:
        return self.network.shops["lantern"]

    def stop_postgres_at_once(self) -> None:
        """SIGQUIT is PostgreSQL's immediate shutdown: no checkpoint, no farewell; it recovers at the next start."""
        self.postgres.process.send_signal(signal.SIGQUIT)
        self.postgres.process.wait(20)

    def start_postgres(self) -> None:
        self.postgres = servers.start_postgres(self.folder, port=_port_of(self.postgres))

    def start_valkey(self) -> None:
        self.valkey = servers.start_valkey(self.folder / "valkey", port=_port_of(self.valkey))

    def fill(self) -> list[str]:
        """A cylinder from the greeting to the hand-over; gives the ids of what was recorded."""
        return unseen(self.shop.tablet()).go_through().acknowledged

    def unsent(self) -> object:
        return self.shop.tablet().http.get("/api/news").json()["unsent"]

    def in_the_feed(self) -> list[str]:
        with psycopg.connect(self.postgres.url, connect_timeout=10) as connection:
            return [str(row[0]) for row in connection.execute("select event_id from feed")]


def _port_of(server: Running) -> int:
    return int(server.url.rpartition(":")[2].partition("/")[0])


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    folder = tmp_path_factory.mktemp("servers")
    with ExitStack() as ending:
        ending.callback(servers.forget_servers, folder)
        postgres = servers.start_postgres(folder, port=free_port())
        ending.callback(lambda: made.postgres.stop() if made else postgres.stop())
        made: Place | None = None
        valkey = servers.start_valkey(folder / "valkey", port=free_port())
        ending.callback(lambda: made.valkey.stop() if made else valkey.stop())
        network = start_network(folder, postgres.url, valkey.url, shops=("lantern",))
        ending.callback(network.stop)
        made = Place(network, folder, postgres, valkey)
        yield made


def test_postgres_stopped_at_once_while_facts_are_pushed_costs_none_and_doubles_none(place: Place) -> None:
    recorded: list[str] = []
    for _ in range(STOPS):
        recorded += place.fill()
        place.stop_postgres_at_once()
        assert not answers_ok(f"{place.network.hub.url}/readyz")
        recorded += place.fill()
        assert place.unsent() != 0
        place.start_postgres()
    wait_until(lambda: place.unsent() == 0, "the hub has everything", within_s=30)
    ids = place.in_the_feed()
    assert set(recorded) <= set(ids)
    assert len(ids) == len(set(ids))
    place.network.wait_until_equal()


def test_a_doorbell_that_is_killed_and_comes_back_empty_makes_news_slower_and_not_wrong(place: Place) -> None:
    place.valkey.process.kill()
    place.valkey.process.wait(10)
    recorded = place.fill()
    wait_until(lambda: place.unsent() == 0, "the hub has everything")
    place.start_valkey()
    with redis.Redis(port=_port_of(place.valkey), socket_timeout=5) as line:
        line.flushall()
    recorded += place.fill()
    wait_until(place.network.is_in_step, "the shop is in step")
    wait_until(lambda: set(recorded) <= set(place.in_the_feed()), "all of it is in the feed")


def test_a_hub_that_stands_still_keeps_no_counter_waiting(place: Place) -> None:
    with standing_still(place.network.hub.running) as until:
        recorded = list[str]()
        while time.monotonic() < until:
            began = time.monotonic()
            recorded += place.fill()
            assert time.monotonic() - began < 5  # Some twenty answers of the counter
        assert place.unsent() != 0
    wait_until(place.network.is_in_step, "the shop is in step", within_s=30)
    assert set(recorded) <= set(place.in_the_feed())


def test_a_shop_that_stood_still_goes_on_where_it_was(place: Place) -> None:
    taken = unseen(place.shop.tablet()).go_through(until="authorise")
    with standing_still(place.shop.running) as until:
        wait_until(lambda: time.monotonic() >= until, "ten seconds", within_s=STANDS_STILL_S + 5)
    steps = list(taken.commands())
    names = [name for name, _ in steps]
    for name, fields in steps[names.index("authorise") :]:
        taken.note(taken.tablet.do(name, **fields()))
    wait_until(place.network.is_in_step, "the shop is in step")
    assert set(taken.acknowledged) <= set(place.in_the_feed())


@contextmanager
def standing_still(program: Running | None) -> Iterator[float]:
    """Stopped by SIGSTOP; gives the moment at which that was long enough, and lets it go on at the end."""
    assert program is not None
    os.kill(program.process.pid, signal.SIGSTOP)
    try:
        yield time.monotonic() + STANDS_STILL_S
    finally:
        os.kill(program.process.pid, signal.SIGCONT)
