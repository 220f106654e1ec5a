"""How news travels from one hub process to the nodes: by Redis, without it by LISTEN/NOTIFY, without both by looking."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest
import redis
from tests.network.shop import Served, Shop, hub_settings, let_shop_in, make_hub, now, serving

from eventlog.chain import links
from eventlog.hub_client import HubClient, HubUnreachable
from filltrail import servers
from filltrail.processes import free_port
from network import doorbell as doorbell_module
from network.doorbell import Doorbell
from network.hub import Hub
from network.redis_line import CHANNEL, RedisLine
from network.store.log import PostgresHubLog
from sync.at_hub import append

pytestmark = pytest.mark.wire

SOON_S = 2.0


@asynccontextmanager
async def listening(hub: Hub, redis_url: str | None) -> AsyncIterator[Doorbell]:
    bell = Doorbell(database_url=hub.database.url, redis_url=redis_url, look=hub.head)
    task = asyncio.create_task(bell.run())
    try:
        yield bell
    finally:
        bell.stop()
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def publish(hub: Hub, shop: Shop, *, ring: RedisLine | None = None) -> int:
    """Append a fact as a hub process does, and ring as it does after the commit."""
    sealed = shop.record()
    with hub.database.transaction() as tx:
        position = append(PostgresHubLog(tx, hub.recorder), links([sealed]), now=now()).position
    if ring is not None:
        ring.ring(position)
    return position


async def until(what: Callable[[], bool], within_s: float = 12.0) -> None:
    async with asyncio.timeout(within_s):
        while not what():  # noqa: ASYNC110 - the bell has no event for its own kind
            await asyncio.sleep(0.01)


async def heard(bell: Doorbell, position: int) -> float:
    """Seconds until the bell knew of a position."""
    began = time.perf_counter()
    async with asyncio.timeout(12):
        while bell.head is None or bell.head.position < position:
            await bell.wait(beyond=position - 1, timeout_s=1)
    return time.perf_counter() - began


def opened(hub: Hub, shop: Shop) -> None:
    with hub.database.transaction() as tx:
        append(PostgresHubLog(tx, hub.recorder), links(shop.log), now=now())


def test_a_ring_by_redis_is_heard_at_once(hub: Hub, reef: Shop, redis_url: str) -> None:
    opened(hub, reef)

    async def story() -> float:
        line = RedisLine(redis_url, now)
        async with listening(hub, redis_url) as bell:
            await until(lambda: bell.kind == "redis")
            position = await asyncio.to_thread(publish, hub, reef, ring=line)
            took = await heard(bell, position)
        line.close()
        return took

    assert asyncio.run(story()) < SOON_S


def test_without_redis_postgres_rings(hub: Hub, reef: Shop) -> None:
    opened(hub, reef)

    async def story() -> float:
        async with listening(hub, None) as bell:
            await until(lambda: bell.kind == "listen")
            position = await asyncio.to_thread(publish, hub, reef)
            return await heard(bell, position)

    assert asyncio.run(story()) < SOON_S


def test_redis_dies_and_comes_back_and_no_news_is_lost(hub: Hub, reef: Shop, tmp_path: Path) -> None:
    opened(hub, reef)
    port = free_port()
    server = servers.start_valkey(tmp_path / "valkey", port=port)

    async def story() -> None:
        nonlocal server
        line = RedisLine(server.url, now)
        async with listening(hub, server.url) as bell:
            await until(lambda: bell.kind == "redis")
            server.process.kill()
            server.process.wait(5)
            # The ring goes nowhere; the bell has noticed that the line is cut and listens to PostgreSQL.
            position = await asyncio.to_thread(publish, hub, reef, ring=line)
            await heard(bell, position)
            await until(lambda: bell.kind == "listen")
            position = await asyncio.to_thread(publish, hub, reef, ring=line)
            assert await heard(bell, position) < SOON_S
            server = servers.start_valkey(tmp_path / "again", port=port)
            await until(lambda: bell.kind == "redis", within_s=doorbell_module.LOOK_EVERY_S + 5)
            position = await asyncio.to_thread(publish, hub, reef, ring=line)
            await heard(bell, position)
        line.close()

    try:
        asyncio.run(story())
    finally:
        server.stop()


def test_a_redis_that_swallows_the_rings_makes_news_slower_but_not_wrong(
    hub: Hub, reef: Shop, redis_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(hub, reef)
    monkeypatch.setattr(doorbell_module, "LOOK_EVERY_S", 0.3)
    monkeypatch.setattr(doorbell_module, "LATE_RING_S", 0.2)

    async def story() -> None:
        async with listening(hub, redis_url) as bell:
            await until(lambda: bell.kind == "redis")
            # Nobody rings Redis: the position moves behind its back.
            position = await asyncio.to_thread(publish, hub, reef, ring=None)
            await heard(bell, position)
            await until(lambda: bell.kind == "listen")

    asyncio.run(story())


def test_a_lying_ring_tells_nobody_of_facts_that_are_not_there(hub: Hub, reef: Shop, redis_url: str) -> None:
    opened(hub, reef)

    async def story() -> int:
        async with listening(hub, redis_url) as bell:
            await until(lambda: bell.kind == "redis" and bell.head is not None)
            with redis.Redis.from_url(redis_url) as client:
                client.publish(CHANNEL, "999999999")
            await asyncio.sleep(0.3)
            assert bell.head is not None
            return bell.head.position

    assert asyncio.run(story()) == hub.head().position


def test_a_cut_database_is_listened_to_again(hub: Hub, reef: Shop) -> None:
    opened(hub, reef)

    async def story() -> None:
        async with listening(hub, None) as bell:
            await until(lambda: bell.kind == "listen")
            with hub.database.transaction() as tx:
                tx.execute(
                    "select pg_terminate_backend(pid) from pg_stat_activity "
                    "where datname = current_database() and query like 'listen %'"
                )
            position = await asyncio.to_thread(publish, hub, reef)
            await heard(bell, position)
            await until(lambda: bell.kind == "listen")

    asyncio.run(story())


def test_a_node_that_listens_hears_head_first_then_beats_then_news(served: Served, reef: Shop) -> None:
    opened(served.hub, reef)

    async def story() -> list[tuple[bool, int]]:
        heard_so_far: list[tuple[bool, int]] = []
        async with httpx.AsyncClient(trust_env=False) as http:
            client = HubClient(
                http, base_url=served.url, node=reef.slug, key=reef.key,
                hub_public_key=served.hub.key.public_key(), clock=now,
            )  # fmt: skip
            async with asyncio.timeout(15):
                async for bell in client.heads():
                    heard_so_far.append((bell.is_beat, bell.news.head))
                    if bell.is_beat and len(heard_so_far) == 2:
                        await asyncio.to_thread(publish, served.hub, reef)
                    if len(heard_so_far) == 3:
                        break
        return heard_so_far

    before = served.hub.head().position
    assert asyncio.run(story()) == [(False, before), (True, before), (False, before + 1)]


def test_a_silent_line_is_noticed(served: Served, reef: Shop) -> None:
    def portal(request: httpx.Request) -> httpx.Response:
        del request
        return httpx.Response(200, html="<p>Welcome</p>")

    async def story() -> None:
        async with httpx.AsyncClient(transport=httpx.MockTransport(portal)) as http:
            client = HubClient(
                http, base_url="http://hub", node=reef.slug, key=reef.key,
                hub_public_key=served.hub.key.public_key(), clock=now,
            )  # fmt: skip
            with pytest.raises(HubUnreachable):
                async for _ in client.heads():
                    pass

    asyncio.run(story())


def test_readyz_says_which_bell_rings(fresh_database: str, tmp_path: Path, redis_url: str) -> None:
    hub = make_hub(hub_settings(fresh_database, tmp_path, redis_url=redis_url))
    shop = Shop("quay")
    let_shop_in(hub, shop)
    with serving(hub) as served:
        deadline = time.monotonic() + 5
        while (found := httpx.get(f"{served.url}/readyz", trust_env=False).json())["doorbell"] != "redis":
            assert time.monotonic() < deadline
    assert (found["status"], found["position"]) == ("ready", 2)  # the hub's opening and the enrolment
