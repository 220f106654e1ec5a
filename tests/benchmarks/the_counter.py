"""Counter action to durable answer, and the look-up of a standing."""

from __future__ import annotations

import json
import os
import sqlite3
import time
import uuid
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from uuid import UUID

from tests.benchmarks.measuring import Line, Row, Sample, in_turns, row
from tests.journeys.a_network import ShopProgram

from branch.node import Node
from cylinder.commands import TakeReading
from cylinder.marks import KeyedPressure

PAUSE_S = (
    0.03  # A person keys once in some seconds; the shop has sent the last reading to the hub before the next.
)
READING = KeyedPressure(value=1850, unit="psi")

size_of_last_fact = "select length(state) from stored_events order by rowid desc limit 1"
make_table = "create table kept (seq integer primary key, state blob not null)"
insert = "insert into kept (state) values (?)"


def over_http(shop: ShopProgram, visit_id: str, n: int) -> Row:
    """A reading keyed during a fill: from the request to the answer that says that it is on the disk."""
    line = Line(shop.url, shop.tablet().http.cookies)
    reading = {"command": "take_reading", "visit_id": visit_id, "reading": READING.model_dump(mode="json")}

    def post() -> float:
        body = json.dumps({**reading, "key": str(uuid.uuid4())}).encode()
        return line.time_post("/api/commands", body)

    with closing(line), closing(_floor_file(shop)) as floor:
        size = _size_of_a_fact(shop)
        floors, times = in_turns(n, _commit(floor, size), post, pause_s=PAUSE_S)
    note = f"{PAUSE_S * 1000:.0f} ms between taps; the hub and the other shop read along on this machine"
    return row("counter action to durable answer, over HTTP", times, _name(size), floors, note=note)


def in_process(shop: ShopProgram, node: Node, visit_id: UUID, n: int) -> Row:
    """The same without HTTP, and with nobody to send it to: what the desk itself needs. As unhurried, so as cold."""
    actor = next(person.actor for person in node.people.staff() if person.actor.role == "operator")

    def handle() -> float:
        command = TakeReading(key=uuid.uuid4(), visit_id=visit_id, reading=READING)
        began = time.perf_counter()
        node.desk.handle(command, actor)
        return time.perf_counter() - began

    with closing(_floor_file(shop)) as floor:
        size = _size_of_a_fact(shop)
        floors, times = in_turns(n, _commit(floor, size), handle, pause_s=PAUSE_S)
    note = "without HTTP, nobody listens"
    return row("counter action to durable answer, at the desk", times, _name(size), floors, note=note)


def look_up(shop: ShopProgram, cylinder_ids: Sequence[UUID], n: int) -> Row:
    """What is held against a cylinder, asked for one after another of those on record."""
    line = Line(shop.url, shop.tablet().http.cookies)
    stride = 7919  # a prime: neighbours in the file are not asked for in turn
    paths = [
        f"/api/cylinders/{cylinder_ids[number * stride % len(cylinder_ids)]}/standing"
        for number in range(len(cylinder_ids))
    ]
    turn = iter(paths * (1 + (n + 10) // len(paths)))
    with closing(line):
        floors, times = in_turns(n, lambda: line.time_get("/healthz"), lambda: line.time_get(next(turn)))
    note = f"session checked, {len(cylinder_ids):,} cylinders on record"
    return row(
        "look-up of a standing, over HTTP", times, "GET /healthz of the same process", floors, note=note
    )


def _floor_file(shop: ShopProgram) -> sqlite3.Connection:
    """An empty database beside the shop's, as durable as that."""
    path = Path(shop.env["FILLTRAIL_DATA"]) / f"floor-{uuid.uuid4().hex}.sqlite"
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("pragma journal_mode = wal")
    connection.execute("pragma synchronous = full")
    connection.execute(make_table)
    return connection


def _commit(floor: sqlite3.Connection, size: int) -> Sample:
    def commit() -> float:
        state = os.urandom(size)
        began = time.perf_counter()
        floor.execute(insert, (state,))
        return time.perf_counter() - began

    return commit


def _size_of_a_fact(shop: ShopProgram) -> int:
    path = Path(shop.env["FILLTRAIL_DATA"]) / "branch.sqlite"
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as database:
        found = database.execute(size_of_last_fact).fetchone()
    return int(found[0])


def _name(size: int) -> str:
    return f"SQLite, WAL, synchronous FULL: one row of {size} bytes committed"
