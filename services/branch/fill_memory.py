"""What this shop's own log remembers for the next fill: its settled readings, the room, and how big this cylinder is.

Reads facts and nothing else, so it can be lost and is there again. It must never take a reading of another shop for one of
its own: another compressor, another room.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final
from uuid import UUID

from branch.store.rows import Cursor, record_of, sealed_of
from cylinder.facts import FillAuthorised, FillAuthorisedByPlan, SettledRead
from cylinder.fill_plan import mix_of
from cylinder.recorded import Recorded, cylinder_subject
from eventlog.envelope import read
from gas.learning import LEAST_READINGS, UNCORRECTED, Correction, SettledReading, correction
from gas.quantity import Temperature

# So many of the latest fills speak; a compressor and a hall change over the years. Our choice.
MOST_FILLS: Final = 24

# How long a temperature that somebody keyed is offered again. Our choice.
ROOM_LASTS: Final = dt.timedelta(hours=4)

_OWN_LATEST: Final = "select state, is_proven from fact_state where kind = ? and node = ? and is_proven = 1 order by arrived desc limit ?"
_OF_CYLINDER: Final = "select state, is_proven from fact_state where subject = ? and kind = ? and is_proven = 1 order by at desc, event_id desc limit ?"
_LOOKED_AT: Final = 12


@dataclass(frozen=True, slots=True)
class Room:
    """A temperature that was keyed here, and when."""

    celsius: float
    at: dt.datetime


@dataclass(frozen=True, slots=True)
class Size:
    """A water capacity that was keyed for this cylinder, and when and where."""

    litre: float
    on: dt.date
    node: str


@dataclass(frozen=True, slots=True)
class Settling:
    """How this shop's fills settle beside the estimate: the middle difference in bar, how far half of them lie from it."""

    fills: int
    lower_bar: float
    spread_bar: float


def settled_fills(c: Cursor, node: str) -> tuple[SettledRead, ...]:
    """The latest settled readings of this shop, newest first."""
    found = (one.fact for one in _records(c, _OWN_LATEST, (SettledRead.KIND, node, MOST_FILLS)))
    return tuple(fact for fact in found if isinstance(fact, SettledRead))


def correction_of(fills: Sequence[SettledRead]) -> Correction:
    """What these readings make of the heat model. Asks the gas engine."""
    taught = [
        SettledReading(
            mix_of(one.gas), one.foreseen_rise_kelvin, Temperature.of_c(one.room_c), one.stopped.pressure,
            one.settled.pressure, Temperature.of_c(one.wall_c),
        )
        for one in fills
        if one.foreseen_rise_kelvin is not None and one.room_c is not None
    ]  # fmt: skip
    return correction(taught) if taught else UNCORRECTED


def settling(fills: Sequence[SettledRead]) -> Settling | None:
    """The middle of the differences, which one mad reading does not move. None below as many as a correction needs."""
    lower = [one.foreseen_bar - one.came_to_bar for one in fills if one.foreseen_bar is not None]
    if len(lower) < LEAST_READINGS:
        return None
    middle = median(lower)
    return Settling(len(lower), middle, median(abs(each - middle) for each in lower))


def room(c: Cursor, node: str, now: dt.datetime) -> Room | None:
    """The temperature that was last keyed here, if that was not long ago."""
    for record in _records(c, _OWN_LATEST, (FillAuthorised.KIND, node, _LOOKED_AT)):
        if not dt.timedelta(0) <= now - record.at <= ROOM_LASTS:
            continue
        if isinstance(record.fact, FillAuthorisedByPlan) and record.fact.plan.room_c is not None:
            return Room(record.fact.plan.room_c, record.at)
    return None


def size(c: Cursor, cylinder_id: UUID) -> Size | None:
    """The water capacity that was last keyed for this cylinder, at any shop."""
    subject = cylinder_subject(cylinder_id)
    for record in _records(c, _OF_CYLINDER, (subject, FillAuthorised.KIND, _LOOKED_AT)):
        if isinstance(record.fact, FillAuthorisedByPlan) and record.fact.plan.volume_litre is not None:
            return Size(record.fact.plan.volume_litre, record.performed_on, record.node)
    return None


def _records(c: Cursor, sql: str, params: tuple[object, ...]) -> list[Recorded]:
    c.execute(sql, params)
    return [record_of(read(sealed_of(state).raw), is_proven=bool(proven)) for state, proven in c.fetchall()]
