"""A shop with years of cylinders on record, put into its store while it does not serve."""

from __future__ import annotations

import asyncio
import datetime as dt
import hashlib
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import UUID

from tests.journeys.a_network import ShopProgram

from branch.__main__ import WORLD
from branch.node import Node, open_node
from cylinder.facts import CylinderRegistered
from cylinder.marks import Marks
from cylinder.recorded import NewFact, cylinder_subject

_SIGNS = "ACDEFHJKLMNPRTUVWXY34679"  # Without the signs that are misread for one another.
_CYLINDERS_A_COMMIT = 250
LONGEST_S = 20.0


@contextmanager
def node_of(shop: ShopProgram) -> Iterator[Node]:
    """The parts of a shop that does not serve, in this process."""
    node = open_node(Path(shop.env["FILLTRAIL_DATA"]), WORLD)
    try:
        yield node
    finally:
        asyncio.run(node.http.aclose())
        node.store.close()


def serial(number: int) -> str:
    """Eight signs that follow from the number and are far from those of every other."""
    digest = hashlib.sha256(f"cylinder {number}".encode()).digest()
    return "".join(_SIGNS[one % len(_SIGNS)] for one in digest[:8])


def register(node: Node, most: int) -> list[UUID]:
    """Put up to `most` cylinders on record, as the desk's own facts are written; stops after twenty seconds."""
    actor = node.people.staff()[0].actor
    deadline = time.monotonic() + LONGEST_S
    made: list[UUID] = []
    while len(made) < most and time.monotonic() < deadline:
        some = [uuid.uuid4() for _ in range(min(_CYLINDERS_A_COMMIT, most - len(made)))]
        now = dt.datetime.now(dt.UTC)
        with node.store.writing() as tx:
            for number, cylinder_id in enumerate(some, start=len(made)):
                marks = Marks(serial=serial(number), maker="ZQ", spec="3AL", first_test="2021-07")
                fact = NewFact(CylinderRegistered(marks=marks), cylinder_subject(cylinder_id), now.date())
                tx.append([fact], key=uuid.uuid4(), actor=actor.id, role=actor.role, now=now)
        made += some
    return made
