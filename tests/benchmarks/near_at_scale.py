"""Near-match over millions of serials: the look-ups of shop and hub as they run there, in SQLite and in PostgreSQL.

    python -m tests.benchmarks.near_at_scale --serials 5000000 --json near.json

Counts what is found, times every look-up, says what the index costs. The rows are written in bulk, with the keys, the
tables and the index of the programs; what is asked of them is the programs' own code.
"""

from __future__ import annotations

import os
import sqlite3
import statistics
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Annotated
from uuid import UUID

import typer
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pydantic import BaseModel, ConfigDict
from tests.benchmarks.invented_serials import Misread, asks_at_the_counter, clean, invented, misreadings
from tests.benchmarks.measuring import percentile
from tests.conftest import new_database
from tests.network.shop import now

from branch.store import BranchStore
from branch.store.claims import near_claims as near_in_sqlite
from cylinder.near import Near, bare, near_keys, skeleton
from filltrail import servers
from filltrail.processes import free_port
from network.projections import cylinders as hub
from network.projections.projection import catch_up_once
from network.store.database import Database
from network.store.migrate import migrate
from sync.at_branch import Author

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)
RECORDS_ASKED, CLEAN_ASKED = 500, 2000
BLOCKED_OF_A_HUNDRED = 1
COPY = "copy cylinder_claim (cylinder_id, bare, skeleton, near_keys) from stdin"
SIZE_OF = "select pg_relation_size(%s::regclass) as bytes"

Ask = Callable[[str], Sequence[Near]]


class Built(BaseModel):
    """What the index of one store cost."""

    model_config = ConfigDict(frozen=True)

    records_s: float
    index_s: float
    records_bytes: int
    index_bytes: int


class Figures(BaseModel):
    """One store, measured. A false alarm is a record that is near a serial that is not on record."""

    model_config = ConfigDict(frozen=True)

    store: str
    serials: int
    built: Built
    asked: dict[str, int]
    missed: dict[str, int]
    n: int
    p50_ms: float
    p99_ms: float
    slowest_ms: float
    floor_p50_ms: float
    floor_p99_ms: float
    near_a_clean_serial: float
    clean_that_ask: float
    """The share of clean serials for which the counter asks, were every record clear: only misread signs differ."""
    clean_that_stop: float
    """The share of clean serials for which it asks a second reading, were one record in a hundred blocked."""


@dataclass
class _Asked:
    times: list[float] = field(default_factory=list)
    floors: list[float] = field(default_factory=list)
    asked: dict[str, int] = field(default_factory=dict)
    missed: dict[str, int] = field(default_factory=dict)


@app.command()
def main(
    serials: Annotated[int, typer.Option(help="How many cylinders are on record")] = 5_000_000,
    json: Annotated[Path | None, typer.Option("--json", help="Write the figures here as well")] = None,
) -> None:
    """Measure both stores; the data is thrown away afterwards."""
    with TemporaryDirectory(prefix="filltrail-near-", dir=_on_disk()) as name, ExitStack() as stack:
        folder = Path(name)
        found = [in_sqlite(folder, serials)]
        typer.echo(words(found[0]))
        url = os.environ.get("FILLTRAIL_TEST_DATABASE_URL", "") or _postgres(folder / "postgres", stack)
        with new_database(url) as database_url:
            found.append(in_postgresql(database_url, serials))
        typer.echo(words(found[1]))
    if json is not None:
        json.write_text("[" + ",\n".join(one.model_dump_json(indent=2) for one in found) + "]\n")


def in_sqlite(folder: Path, serials: int) -> Figures:
    """The shop's database, made by the shop's own store."""
    path = folder / "branch.db"
    author = Author(node="near", key=Ed25519PrivateKey.generate(), software="bench")
    BranchStore(path, author, hub_node="hub").close()
    built = _fill_sqlite(path, serials)
    store = BranchStore(path, author, hub_node="hub")

    def ask(keyed: str) -> Sequence[Near]:
        with store.reading() as cursor:
            return near_in_sqlite(cursor, keyed)

    def one_row(cylinder_id: UUID) -> None:
        with store.reading() as cursor:
            cursor.execute("select bare from serial_claim where id = ?", (cylinder_id.int,))
            assert cursor.fetchone() is not None

    with closing(store):
        return _measure("SQLite", serials, built, ask, one_row)


def in_postgresql(database_url: str, serials: int) -> Figures:
    """The hub's database, made by the hub's own migrations and projection."""
    database = Database(database_url)
    migrate(database, now=now(), epoch="near")
    catch_up_once(database, hub.cylinders)
    built = _fill_postgresql(database, serials)

    def ask(keyed: str) -> Sequence[Near]:
        with database.transaction() as tx:
            return hub.near_claims(tx, keyed)

    def one_row(cylinder_id: UUID) -> None:
        with database.transaction() as tx:
            row = tx.execute("select bare from cylinder_claim where cylinder_id = %s", (cylinder_id,))
            assert row.fetchone() is not None

    try:
        return _measure("PostgreSQL", serials, built, ask, one_row)
    finally:
        database.close()


def words(found: Figures) -> str:
    """The figures for people."""
    asked, missed = sum(found.asked.values()), sum(found.missed.values())
    built = found.built
    return (
        f"{found.store}, {found.serials:,} serials\n"
        f"  found {asked - missed:,} of {asked:,} misreadings; by kind, missed: {found.missed}\n"
        f"  a look-up: median {found.p50_ms:.2f} ms, 99 in 100 within {found.p99_ms:.2f} ms, slowest {found.slowest_ms:.2f} ms "
        f"({found.n:,} of them; one row by its key: {found.floor_p50_ms:.2f} and {found.floor_p99_ms:.2f} ms)\n"
        f"  a clean serial is near {found.near_a_clean_serial:.2f} records; the counter asks for {found.clean_that_ask:.2%} of "
        f"them, and for {found.clean_that_stop:.2%} more if one record in a hundred is blocked\n"
        f"  the index: {built.index_s:.0f} s and {built.index_bytes / 1e6:,.0f} MB "
        f"({built.index_bytes / found.serials:.0f} bytes a serial), beside {built.records_s:.0f} s and "
        f"{built.records_bytes / 1e6:,.0f} MB for the serials themselves"
    )


def _measure(store: str, serials: int, built: Built, ask: Ask, one_row: Callable[[UUID], None]) -> Figures:
    so_far = _Asked()
    typer.echo(f"{store}: built, asking", err=True)
    for misread in _misread(serials):
        found = _timed(so_far, ask, misread.keyed, one_row, misread.cylinder_id)
        so_far.asked[misread.kind] = so_far.asked.get(misread.kind, 0) + 1
        if misread.cylinder_id not in {one.cylinder_id for one in found}:
            so_far.missed[misread.kind] = so_far.missed.get(misread.kind, 0) + 1
    near, asks, asked, stops = 0, 0, 0, 0.0
    for serial in _some(clean(CLEAN_ASKED, serials, seed=5), CLEAN_ASKED):
        found = _timed(so_far, ask, serial, one_row, UUID(int=asked + 1))
        near, asked = near + len(found), asked + 1
        asks += any(asks_at_the_counter(serial, one.serial) for one in found)
        stops += 1 - (1 - BLOCKED_OF_A_HUNDRED / 100) ** len(found)
    return Figures(
        store=store, serials=serials, built=built, asked=so_far.asked, missed=so_far.missed, n=len(so_far.times),
        p50_ms=statistics.median(so_far.times) * 1000, p99_ms=percentile(so_far.times, 99) * 1000,
        slowest_ms=max(so_far.times) * 1000, floor_p50_ms=statistics.median(so_far.floors) * 1000,
        floor_p99_ms=percentile(so_far.floors, 99) * 1000,
        near_a_clean_serial=near / asked, clean_that_ask=asks / asked, clean_that_stop=stops / asked,
    )  # fmt: skip


def _timed(so_far: _Asked, ask: Ask, keyed: str, floor: Callable[[UUID], None], one: UUID) -> Sequence[Near]:
    began = time.perf_counter()
    found = ask(keyed)
    ended = time.perf_counter()
    floor(one)
    so_far.floors.append(time.perf_counter() - ended)
    so_far.times.append(ended - began)
    return found


def _misread(serials: int) -> Iterator[Misread]:
    """Every kind of mistake in serials from all over the records."""
    every, chance = max(1, serials // RECORDS_ASKED), Random(6)
    asked = [one for n, one in enumerate(invented(serials)) if n % every == 0]
    chance.shuffle(asked)
    for cylinder_id, stamped in asked:
        yield from misreadings(cylinder_id, stamped, chance)


def _some(serials: Iterator[str], many: int) -> list[str]:
    """Of every batch only a few, so that many batches are asked."""
    return [serial for n, serial in enumerate(serials) if n % 37 == 0][:many]


def _fill_sqlite(path: Path, serials: int) -> Built:
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        for pragma in ("journal_mode = off", "synchronous = off", "cache_size = -400000"):
            db.execute(f"pragma {pragma}")
        began, empty = time.monotonic(), _pages(db)
        db.execute("begin")
        db.executemany(
            "insert into serial_claim (id, cylinder_id, bare) values (?, ?, ?)",
            ((one.int, str(one), bare(serial)) for one, serial in invented(serials)),
        )
        db.execute("commit")
        filled, records = time.monotonic(), _pages(db)
        db.execute("begin")
        db.execute("create temp table unsorted (key integer, claim_id integer)")
        db.executemany(
            "insert into unsorted values (?, ?)",
            ((key, one.int) for one, serial in invented(serials) for key in near_keys(serial)),
        )
        db.execute("insert into near_key select key, claim_id from unsorted order by key, claim_id")
        db.execute("commit")
        ended, whole = time.monotonic(), _pages(db)
        db.execute("pragma journal_mode = wal")
    return Built(
        records_s=filled - began, index_s=ended - filled,
        records_bytes=records - empty, index_bytes=whole - records,
    )  # fmt: skip


def _pages(db: sqlite3.Connection) -> int:
    count, size = db.execute("pragma page_count").fetchone()[0], db.execute("pragma page_size").fetchone()[0]
    return int(count) * int(size)


def _fill_postgresql(database: Database, serials: int) -> Built:
    began = time.monotonic()
    with database.transaction() as tx:
        tx.execute("set local statement_timeout = 0")
        tx.execute("drop index cylinder_claim_near")
        with tx.copy(COPY) as copy:
            copy.set_types(["uuid", "text", "text", "int4[]"])
            for one, serial in invented(serials):
                copy.write_row((one, bare(serial), skeleton(serial), list(near_keys(serial))))
    filled = time.monotonic()
    with database.transaction() as tx:
        tx.execute("set local statement_timeout = 0")
        tx.execute("set local maintenance_work_mem = '400MB'")
        tx.execute(hub.near_index.encode())
        tx.execute("analyze cylinder_claim")
    ended = time.monotonic()
    with database.transaction() as tx:
        sizes = [
            tx.execute(SIZE_OF, (name,)).fetchone() for name in ("cylinder_claim", "cylinder_claim_near")
        ]
    records, index = (0 if row is None else int(row["bytes"]) for row in sizes)
    return Built(records_s=filled - began, index_s=ended - filled, records_bytes=records, index_bytes=index)


def _postgres(folder: Path, stack: ExitStack) -> str:
    stack.callback(servers.forget_servers, folder)
    postgres = servers.start_postgres(folder, port=free_port())
    stack.callback(postgres.stop)
    return postgres.url


def _on_disk() -> Path | None:
    """/tmp may be memory, where reading a page costs nothing."""
    there = Path("/var/tmp")
    return there if there.is_dir() and os.access(there, os.W_OK) else None


if __name__ == "__main__":
    app()
