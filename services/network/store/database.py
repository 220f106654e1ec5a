"""The hub's connections to PostgreSQL, and its one way to open a transaction.

Owns the pool and its limits. Must never run a statement of its own beyond setting up a connection.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeAlias

import psycopg
from eventsourcing.postgres import PostgresDatastore
from psycopg.conninfo import conninfo_to_dict
from psycopg.rows import DictRow
from psycopg.types.composite import register_composite

Tx: TypeAlias = psycopg.Cursor[DictRow]

POOL_CONNECTIONS = 4
POOL_OVERFLOW = 12
WAIT_FOR_CONNECTION_S = 5.0
STATEMENT_TIMEOUT_MS = 15_000
LOCK_TIMEOUT_MS = 10_000
IDLE_IN_TRANSACTION_S = 30.0

set_up_connection = """
select set_config('statement_timeout', %(statement_ms)s, false),
       set_config('lock_timeout', %(lock_ms)s, false),
       set_config('synchronous_commit', 'on', false),
       set_config('timezone', 'UTC', false)
"""


class _Datastore(PostgresDatastore):
    """The library's pool, with time-outs on every statement and lock."""

    def after_connect_func(self) -> Callable[[psycopg.Connection[DictRow]], None]:
        library = super().after_connect_func()

        def after_connect(connection: psycopg.Connection[DictRow]) -> None:
            library(connection)
            limits = {"statement_ms": str(STATEMENT_TIMEOUT_MS), "lock_ms": str(LOCK_TIMEOUT_MS)}
            connection.execute(set_up_connection, limits)

        return after_connect


class Database:
    """A pool of connections to one database. `close` it."""

    def __init__(self, url: str) -> None:
        named = conninfo_to_dict(url)
        self.url = url
        self.datastore = _Datastore(
            dbname=str(named.get("dbname", "postgres")),
            host=str(named.get("host", "127.0.0.1")),
            port=str(named.get("port", "5432")),
            user=str(named.get("user", "postgres")),
            password=str(named.get("password", "")),
            connect_timeout=WAIT_FOR_CONNECTION_S,
            idle_in_transaction_session_timeout=IDLE_IN_TRANSACTION_S,
            pool_size=POOL_CONNECTIONS,
            max_overflow=POOL_OVERFLOW,
            pre_ping=True,
            # Measured: these functions skip the recorder's order of commits, and a reader loses facts.
            enable_db_functions=False,
        )

    @contextmanager
    def transaction(self) -> Iterator[Tx]:
        """One transaction: committed when the block ends, rolled back when it raises. Raises psycopg.Error."""
        self.datastore.pool.open()
        with self.datastore.pool.connection() as connection:
            for info in self.datastore.psycopg_type_adapters.values():
                if not connection.adapters.types.get(info.oid):
                    register_composite(info, connection)
            with connection.transaction(), connection.cursor() as cursor:
                yield cursor

    def close(self) -> None:
        """Give back every connection."""
        self.datastore.close()
