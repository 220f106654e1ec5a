"""The database goes away under a serving hub: nothing half-written, a clear answer, and it goes on when it is back."""

from __future__ import annotations

import asyncio
from urllib.parse import urlsplit, urlunsplit

import httpx
import psycopg
import pytest
from tests.network.shop import Served, Shop, now

from eventlog.hub_client import HubClient, HubUnreachable
from eventlog.wire import PushAnswer, PushRefusal

pytestmark = pytest.mark.wire

end_every_session = (
    "select pg_terminate_backend(pid) from pg_stat_activity where datname = %s and pid <> pg_backend_pid()"
)


def push(served: Served, shop: Shop) -> PushAnswer | PushRefusal:
    async def send() -> PushAnswer | PushRefusal:
        async with httpx.AsyncClient(trust_env=False) as http:
            client = HubClient(
                http, base_url=served.url, node=shop.slug, key=shop.key,
                hub_public_key=served.hub.key.public_key(), clock=now,
            )  # fmt: skip
            return await client.push(shop.log)

    return asyncio.run(send())


def name_of(database_url: str) -> str:
    return urlsplit(database_url).path.removeprefix("/")


def test_a_restart_of_the_database_costs_no_fact(served: Served, reef: Shop) -> None:
    push(served, reef)
    with psycopg.connect(served.hub.database.url, autocommit=True) as connection:
        connection.execute(end_every_session, (name_of(served.hub.database.url),))
    reef.record()
    answer = push(served, reef)
    assert isinstance(answer, PushAnswer)
    assert (answer.answer, answer.head.seq) == ("accepted", 2)


def test_without_its_database_the_hub_says_try_again(served: Served, reef: Shop) -> None:
    url = served.hub.database.url
    name = name_of(url)
    with psycopg.connect(urlunsplit(urlsplit(url)._replace(path="/postgres")), autocommit=True) as connection:
        connection.execute(f'alter database "{name}" allow_connections false'.encode())
        connection.execute(end_every_session, (name,))
        with pytest.raises(HubUnreachable) as unreachable:
            push(served, reef)
        answers = [
            httpx.get(f"{served.url}/{page}", trust_env=False, timeout=20) for page in ("readyz", "healthz")
        ]
        connection.execute(f'alter database "{name}" allow_connections true'.encode())
    assert unreachable.value.retry_after_s == 2
    assert [answer.status_code for answer in answers] == [503, 200]
    assert answers[0].headers["content-type"] == "application/problem+json"
    # The pool tries again by itself.
    assert isinstance(push_until_it_works(served, reef), PushAnswer)


def push_until_it_works(served: Served, shop: Shop) -> PushAnswer | PushRefusal:
    for _ in range(10):
        try:
            return push(served, shop)
        except HubUnreachable:
            continue
    return push(served, shop)
