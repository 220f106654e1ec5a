"""Short ways to ask a served hub as a shop does."""

from __future__ import annotations

import asyncio
import uuid
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar
from urllib.parse import urlsplit, urlunsplit
from uuid import UUID

import httpx
import psycopg
from tests.network.shop import Served, Shop, now

from eventlog.envelope import Sealed
from eventlog.event import NO_HASH
from eventlog.feed import Cursor
from eventlog.hub_client import HubClient
from eventlog.wire import BeatDocument
from network.store.database import Database

Result = TypeVar("Result")


def ask(served: Served, shop: Shop, question: Callable[[HubClient], Awaitable[Result]]) -> Result:
    """One question by the client that shops use."""

    async def asking() -> Result:
        async with httpx.AsyncClient(trust_env=False) as http:
            client = HubClient(
                http, base_url=served.url, node=shop.slug, key=shop.key,
                hub_public_key=served.hub.key.public_key(), clock=now,
            )  # fmt: skip
            return await question(client)

    return asyncio.run(asking())


def whole_feed(served: Served, shop: Shop) -> list[Sealed]:
    """Every envelope in the order of the feed."""
    page = ask(served, shop, lambda client: client.page(Cursor()))
    assert len(page.items) == page.head
    return [item.sealed() for item in page.items]


def beat_of(
    shop: Shop,
    *,
    ticket: str = "",
    parent: UUID | None = None,
    epoch: str = "none",
    position: int = 0,
    feed_hash: str = NO_HASH,
    digest: str | None = None,
) -> BeatDocument:
    """Where a shop stands."""
    return BeatDocument(
        beat=uuid.uuid4(), inc=shop.inc, parent=parent, seq=len(shop.log), epoch=epoch, position=position,
        feed_hash=feed_hash, ticket=ticket, digest=digest,
    )  # fmt: skip


@contextmanager
def copy_of(database_url: str) -> Iterator[str]:
    """The URL of a copy of a database as it stands now: a backup. Whoever is connected is cut off meanwhile."""
    parts = urlsplit(database_url)
    name = f"filltrail_copy_{uuid.uuid4().hex}"
    server = urlunsplit(parts._replace(path="/postgres"))
    with psycopg.connect(server, autocommit=True, connect_timeout=10) as connection:
        source = parts.path.lstrip("/")
        # A hub that is cut off dials again at once: the door stays shut until the copy is made.
        connection.execute(f'alter database "{source}" allow_connections false'.encode())
        try:
            connection.execute(
                "select pg_terminate_backend(pid, 10000) from pg_stat_activity where datname = %s", (source,)
            )
            connection.execute(f'create database "{name}" template "{source}"'.encode())
        finally:
            connection.execute(f'alter database "{source}" allow_connections true'.encode())
    try:
        yield urlunsplit(parts._replace(path=f"/{name}"))
    finally:
        with psycopg.connect(server, autocommit=True, connect_timeout=10) as connection:
            connection.execute(f'drop database if exists "{name}" with (force)'.encode())


def put_back(backup_url: str, database_url: str) -> None:
    """A restore: the database is what the backup was."""
    parts, backup = urlsplit(database_url), urlsplit(backup_url).path.lstrip("/")
    name = parts.path.lstrip("/")
    with psycopg.connect(
        urlunsplit(parts._replace(path="/postgres")), autocommit=True, connect_timeout=10
    ) as connection:
        connection.execute(f'drop database "{name}" with (force)'.encode())
        connection.execute(f'create database "{name}" template "{backup}"'.encode())


def rows(database: Database, statement: str) -> list[tuple[object, ...]]:
    """What a statement finds."""
    with psycopg.connect(database.url) as connection:
        return list(connection.execute(statement.encode()).fetchall())
