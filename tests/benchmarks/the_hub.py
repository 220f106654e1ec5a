"""Hub ingest: a hundred signed envelopes pushed, beside the library's recorder alone on the same server."""

from __future__ import annotations

import asyncio
import datetime as dt
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import UUID, uuid4

import httpx
from eventsourcing.persistence import StoredEvent
from eventsourcing.postgres import PostgresApplicationRecorder, PostgresDatastore
from psycopg.conninfo import conninfo_to_dict
from tests.benchmarks.measuring import Row, in_turns, row
from tests.conftest import new_database
from tests.journeys.a_network import Program
from tests.network.shop import Shop, hub_settings, let_shop_in, make_hub

from cylinder.facts import ReadingTaken
from cylinder.marks import KeyedPressure
from eventlog.envelope import Sealed
from eventlog.hub_client import HubClient, enrol
from eventlog.keys import public_key, public_text
from eventlog.wire import Enrolled, Enrolment, PushAnswer
from filltrail.processes import LOOPBACK, free_port, plain_environment
from network.hub import Hub
from network.ingest import Taken, take
from network.store.nodes import find_node

BATCH = 100
PAUSE_S = 0.05  # The hub's projections read a batch to its end before the next thing is timed.
READING = ReadingTaken(visit_id=UUID(int=1), reading=KeyedPressure(value=1850, unit="psi"))


def ingest(folder: Path, postgres_url: str, redis_url: str, n: int) -> list[Row]:
    """A hub of its own with nobody else on it; its ingest in this process; the recorder; in turns."""
    with (
        new_database(postgres_url) as served_url,
        new_database(postgres_url) as bare_url,
        new_database(postgres_url) as floor_url,
        _served_hub(folder, served_url, redis_url) as program,
        _bare_hub(bare_url, folder / "bare-hub") as hub,
        _recorder(floor_url) as recorder,
        asyncio.Runner() as runner,
        _pushing(runner, program) as pushing,
    ):
        taking = _Taking(hub)
        taking.once()  # Opens its log, which gives the recorder its first bytes.
        floors, bare, pushed = in_turns(
            n, lambda: _insert(recorder, taking.shop), taking.once, pushing.once, pause_s=PAUSE_S
        )
    floor = f"the library's PostgreSQL recorder alone, {BATCH} events of the same bytes, one commit"
    return [
        row(f"hub: {BATCH} envelopes pushed over HTTP", pushed, floor, floors, batch=BATCH, note="one client, its own work included"),
        row(f"hub: {BATCH} envelopes taken in, without HTTP", bare, floor, floors, batch=BATCH, note="parse, 100 signatures, chain, feed, commit"),
    ]  # fmt: skip


class _Pushing:
    """A shop that publishes to a served hub by the client that shops use."""

    def __init__(self, runner: asyncio.Runner, http: httpx.AsyncClient, program: Program) -> None:
        self._runner = runner
        self._shop = Shop("pushing")
        enrolled = runner.run(self._enrol(http, program))
        self._client = HubClient(
            http, base_url=program.url, node=self._shop.slug, key=self._shop.key,
            hub_public_key=public_key(enrolled.hub_public_key), clock=lambda: dt.datetime.now(dt.UTC),
        )  # fmt: skip

    async def _enrol(self, http: httpx.AsyncClient, program: Program) -> Enrolled:
        code = program.ask("invite", "--name", "Pushing", "--slug", self._shop.slug)
        asked = Enrolment(code=code, public_key=public_text(self._shop.key.public_key()))
        return await enrol(http, program.url, asked)

    def once(self) -> float:
        run = _run(self._shop)
        return self._runner.run(self._push(run))

    async def _push(self, run: list[Sealed]) -> float:
        began = time.perf_counter()
        answer = await self._client.push(run, own_seq=len(self._shop.log))
        took_s = time.perf_counter() - began
        assert isinstance(answer, PushAnswer), answer
        assert answer.head.seq == len(self._shop.log)
        return took_s


class _Taking:
    """A shop whose batches are handed to the ingest function."""

    def __init__(self, hub: Hub) -> None:
        self.shop = Shop("taking")
        let_shop_in(hub, self.shop)
        with hub.database.transaction() as tx:
            node = find_node(tx, self.shop.slug)
        assert node is not None
        self._hub, self._node = hub, node

    def once(self) -> float:
        body = self.shop.push_body(_run(self.shop))
        now = dt.datetime.now(dt.UTC)
        began = time.perf_counter()
        taken = take(
            self._hub.database, self._hub.recorder, self._node, body, own_seq=len(self.shop.log), now=now
        )
        took_s = time.perf_counter() - began
        assert isinstance(taken, Taken), taken
        assert len(taken.fresh) == BATCH
        return took_s


def _insert(recorder: PostgresApplicationRecorder, shop: Shop) -> float:
    """Events as large as the shop's, under a new originator; no fact is read, checked or numbered."""
    inc = uuid4()
    states = [sealed.raw for sealed in shop.log[-BATCH:]]
    events = [
        StoredEvent(
            originator_id=inc, originator_version=seq, topic=f"{READING.KIND}.v{READING.V}", state=state
        )
        for seq, state in enumerate(states, start=1)
    ]
    began = time.perf_counter()
    numbers = recorder.insert_events(events)
    took_s = time.perf_counter() - began
    assert numbers is not None
    assert len(numbers) == BATCH
    return took_s


def _run(shop: Shop) -> list[Sealed]:
    """The shop's next envelopes: its log's opening first, then readings of a fill."""
    made = [] if shop.log else [shop.open()]
    body = READING.model_dump(mode="json")
    while len(made) < BATCH:
        made.append(shop.record(READING.KIND, body, subject=f"cylinder/{UUID(int=2)}"))
    return made


@contextmanager
def _served_hub(folder: Path, database_url: str, redis_url: str) -> Iterator[Program]:
    port = free_port()
    env = {
        **plain_environment(),
        "FILLTRAIL_DATA": str(folder / "served-hub"),
        "FILLTRAIL_HOST": LOOPBACK,
        "FILLTRAIL_PORT": str(port),
        "FILLTRAIL_DATABASE_URL": database_url,
        "FILLTRAIL_REDIS_URL": redis_url,
    }
    program = Program("network", "served-hub", port, env, folder / "logs")
    program.start()
    try:
        yield program
    finally:
        if program.running is not None:
            program.running.stop()


@contextmanager
def _bare_hub(database_url: str, data: Path) -> Iterator[Hub]:
    hub = make_hub(hub_settings(database_url, data))
    try:
        yield hub
    finally:
        hub.close()


@contextmanager
def _recorder(database_url: str) -> Iterator[PostgresApplicationRecorder]:
    """The library's recorder as it comes: its own pool, its own table, its own lock."""
    named = conninfo_to_dict(database_url)
    datastore = PostgresDatastore(
        dbname=str(named["dbname"]), host=str(named["host"]), port=str(named["port"]),
        user=str(named["user"]), password=str(named.get("password", "")),
    )  # fmt: skip
    recorder = PostgresApplicationRecorder(datastore)
    recorder.create_table()
    try:
        yield recorder
    finally:
        datastore.close()


@contextmanager
def _pushing(runner: asyncio.Runner, program: Program) -> Iterator[_Pushing]:
    http = httpx.AsyncClient(trust_env=False)
    try:
        yield _Pushing(runner, http, program)
    finally:
        runner.run(http.aclose())
