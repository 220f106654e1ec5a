"""The facts that people of the simulated network write, as events; and ids that follow from the seed."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Sequence
from uuid import UUID

from cylinder.facts import Fact
from cylinder.marks import KeyedPressure, Marks
from eventlog.event import Effect, Event, Seen

START = dt.datetime(2031, 3, 27, 8, 0, tzinfo=dt.UTC)
"""A few days before the end of a month, so that what is due at its end runs out while the network lives."""
NEWER_KIND = "cylinder.found_brittle"
"""A kind that this software does not know; its header says that it blocks."""


def moment(t: float) -> dt.datetime:
    """The true time `t` seconds after the start."""
    return START + dt.timedelta(seconds=t)


def new_id(rng: random.Random, at: dt.datetime) -> UUID:
    """An id in the shape of a UUID version 7: time first, then chance."""
    ms = int(at.timestamp() * 1000)
    return UUID(
        int=(ms << 80) | (0x7 << 76) | (rng.getrandbits(12) << 64) | (0b10 << 62) | rng.getrandbits(62)
    )


def pressure(bar: float) -> KeyedPressure:
    """A pressure as somebody keyed it."""
    return KeyedPressure(value=bar, unit="bar")


def marks_of(n: int) -> Marks:
    """The marks of the n-th cylinder."""
    return Marks(serial=f"Q{n:02d}7731", maker="ZT", spec="3AA", first_test="2024-05")


def event(
    event_id: UUID,
    fact: Fact,
    *,
    subject: str,
    at: dt.datetime,
    seen: Seen,
    actor: str,
    role: str,
    clears: Sequence[UUID] = (),
    diver_ref: str | None = None,
) -> Event:
    """A fact with its header."""
    return Event(
        id=event_id,
        kind=fact.KIND,
        v=fact.V,
        effect=Effect(fact.EFFECT),
        subject=subject,
        body=fact.model_dump(mode="json"),
        performed_on=at.date(),
        at=at,
        seen=seen,
        actor=actor,
        role=role,
        software="simulated",
        diver_ref=diver_ref,
        clears=tuple(clears),
    )


def newer_event(event_id: UUID, *, subject: str, at: dt.datetime, seen: Seen, actor: str) -> Event:
    """A block of a kind from newer software."""
    return Event(
        id=event_id,
        kind=NEWER_KIND,
        v=3,
        effect=Effect.BLOCK,
        subject=subject,
        body={"where": "neck"},
        performed_on=at.date(),
        at=at,
        seen=seen,
        actor=actor,
        role="operator",
        software="simulated-9",
    )
