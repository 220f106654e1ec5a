"""What trust costs: chain, signature and marker, each measured alone, beside the whole action that it is part of.

A part that cannot be switched off is measured directly. Must never leave a part out of the whole.
"""

from __future__ import annotations

import hashlib
import os
import time
import uuid
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from uuid import UUID

from tests.benchmarks import the_counter, the_hub
from tests.benchmarks.measuring import Row, in_turns, row
from tests.conftest import new_database
from tests.journeys.a_network import ShopProgram
from tests.network.shop import Shop

from branch.marker import Mark, MarkerFile
from branch.node import Node
from cylinder.commands import TakeReading
from eventlog.chain import Head, judge, links
from eventlog.envelope import verify
from eventlog.keys import public_key, public_text

PAUSE_S = 0.08
A_RUN = 100


def at_the_counter(shop: ShopProgram, node: Node, visit_id: UUID, folder: Path, n: int) -> list[Row]:
    """One counter action without its marker, and the seal and the marker by themselves; the floor is one commit."""
    size = the_counter._size_of_a_fact(shop)
    signer = Shop("parts")
    signer.open()
    file = MarkerFile(folder / "marker-of-the-parts", signer.key)
    raw, keep = os.urandom(size), node.store.after_commit
    actor = next(person.actor for person in node.people.staff() if person.actor.role == "operator")
    written = 0

    def mark() -> None:
        nonlocal written
        written += 1
        file.write(Mark(inc=signer.inc, seq=written, epoch="e", position=1))

    def seal() -> None:
        body = the_hub.READING.model_dump(mode="json")
        assert signer.record(the_hub.READING.KIND, body, subject=f"cylinder/{UUID(int=2)}").hash

    def without_marker() -> float:
        node.store.after_commit = lambda turn, here: None
        try:
            command = TakeReading(key=uuid.uuid4(), visit_id=visit_id, reading=the_counter.READING)
            began = time.perf_counter()
            node.desk.handle(command, actor)
            return time.perf_counter() - began
        finally:
            node.store.after_commit = keep

    with closing(the_counter._floor_file(shop)) as floor:
        floors, *times = in_turns(
            n,
            the_counter._commit(floor, size),
            without_marker,
            _timed(seal),
            _timed(lambda: hashlib.sha256(raw).hexdigest()),
            _timed(mark),
            pause_s=PAUSE_S,
        )
    names = (
        "part: counter action at the desk, no marker",
        "part: one fact written, chained, hashed and signed",
        "part: the hash of one envelope",
        "part: one marker written and synced; no tap waits for it",
    )
    return [row(name, one, the_counter._name(size), floors) for name, one in zip(names, times, strict=True)]


def at_the_hub(folder: Path, postgres_url: str, n: int) -> list[Row]:
    """Signatures, reading and chain of a run of 100, beside the recorder that writes them."""
    with (
        new_database(postgres_url) as ours,
        new_database(postgres_url) as bare,
        the_hub._bare_hub(ours, folder / "parts") as hub,
        the_hub._recorder(bare) as recorder,
    ):
        taking = the_hub._Taking(hub)
        taking.once()
        key = public_key(public_text(taking.shop.key.public_key()))

        def verified() -> float:
            run = taking.shop.log[-A_RUN:]
            began = time.perf_counter()
            for sealed in run:
                verify(sealed, key)
            return time.perf_counter() - began

        def read() -> float:
            run = taking.shop.log[-A_RUN:]
            began = time.perf_counter()
            links(run)
            return time.perf_counter() - began

        def judged() -> float:
            run = links(taking.shop.log[-A_RUN:])
            place = run[0].envelope.place
            head = Head(place.inc, place.seq - 1, taking.shop.log[-A_RUN - 1].hash)
            began = time.perf_counter()
            verdict = judge(run, head, known={})
            took = time.perf_counter() - began
            assert verdict.answer == "accepted", verdict
            return took

        floors, _, *times = in_turns(
            n,
            lambda: the_hub._insert(recorder, taking.shop),
            taking.once,
            verified,
            read,
            judged,
            pause_s=0.05,
        )
    names = (
        "part: 100 signatures verified",
        "part: 100 envelopes read and hashed",
        "part: a chain of 100 judged",
    )
    return [
        row(name, one, "the recorder alone, 100 events", floors)
        for name, one in zip(names, times, strict=True)
    ]


def _timed(work: Callable[[], object]) -> Callable[[], float]:
    def once() -> float:
        began = time.perf_counter()
        work()
        return time.perf_counter() - began

    return once
