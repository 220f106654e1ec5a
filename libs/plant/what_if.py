"""What the next fills would do to a bank, for each order in which its bottles can be opened. Pure arithmetic on an estimate.

It must never write anything down, and never stand for a reading: it is worked out anew each time somebody asks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from gas.bank import Bank, Day, Order, Waiting, best_day, day
from gas.machine import (
    Booster,
    Compressor,
    EstimatedMinutes,
    booster_time,
    compressor_time,
    missing_for,
    missing_in,
)
from gas.pressure import Pressure
from gas.quantity import Amount

# More than a shop fills from one bank on one day.
MOST_CYLINDERS: Final = 200
SHOWN_ORDERS: Final[tuple[Order, ...]] = ("lowest first", "highest first")


@dataclass(frozen=True)
class Course:
    """One order: the day as it would go, and the gauges of all bottles before it and after each fill."""

    day: Day
    gauges: tuple[tuple[Pressure, ...], ...]

    @property
    def order(self) -> Order:
        return self.day.order

    @property
    def full_count(self) -> int:
        return self.day.full_count

    @property
    def fullest(self) -> tuple[Pressure, ...]:
        """The gauge of the fullest bottle, before the first fill and after each one that came full."""
        return tuple(max(row, key=lambda one: one.pascal) for row in self.gauges[: self.full_count + 1])


@dataclass(frozen=True)
class WhatIf:
    """The answer: both orders, the one that leaves most, and how long the machines run.

    `refill` brings the bank back to full; `rest` is what the cylinders lack that it leaves short, `booster` moves that.
    """

    courses: tuple[Course, ...]
    best: Order
    asked: int
    refill: Amount
    rest: Amount
    compressor: EstimatedMinutes | None
    booster: EstimatedMinutes | tuple[str, ...] | None

    @property
    def best_course(self) -> Course:
        return next(course for course in self.courses if course.order == self.best)


def what_if(
    bank: Bank,
    waiting: Sequence[Waiting],
    *,
    full: Pressure,
    compressor: Compressor | None = None,
    booster: Booster | None = None,
) -> WhatIf:
    """Each order's day. `full` is where the bank is refilled to. ValueError where there is no bottle, or too long a row."""
    if not bank.bottles:
        raise ValueError("no bottle of this bank has been read")
    if len(waiting) > MOST_CYLINDERS:
        raise ValueError(f"at most {MOST_CYLINDERS} cylinders are worked out at once")
    best = best_day(bank, waiting)
    orders = SHOWN_ORDERS if best.order in SHOWN_ORDERS else (*SHOWN_ORDERS, best.order)
    courses = tuple(
        _course(bank, best if order == best.order else day(bank, waiting, order)) for order in orders
    )
    chosen = next(course for course in courses if course.order == best.order)
    refill = missing_in(chosen.day.left, full)
    short = _short(chosen.day, waiting)
    return WhatIf(
        courses=courses,
        best=best.order,
        asked=len(waiting),
        refill=refill,
        rest=Amount(bank.mix, sum(missing_for(bank, one).mol for one in short)),
        compressor=None if compressor is None else compressor_time(compressor, refill),
        booster=None if booster is None else _boosted(booster, chosen.day.left, short),
    )


def _course(bank: Bank, one: Day) -> Course:
    gauges = {bottle.name: bottle.gauge for bottle in bank.bottles}
    rows = [tuple(gauges.values())]
    for filled in one.filled:
        gauges |= {drawn.bottle: drawn.bottle_gauge for drawn in filled.drawn}
        rows.append(tuple(gauges.values()))
    return Course(one, tuple(rows))


def _short(one: Day, waiting: Sequence[Waiting]) -> tuple[Waiting, ...]:
    """Those that the bank leaves short; the first of them has what the bank could still give it."""
    left = list(waiting[one.full_count :])
    if left and one.filled and not one.filled[-1].is_full:
        left[0] = replace(left[0], gauge=one.filled[-1].reached)
    return tuple(left)


def _boosted(
    booster: Booster, bank: Bank, short: Sequence[Waiting]
) -> EstimatedMinutes | tuple[str, ...] | None:
    """What the bank leaves short, by the booster out of what is left in the bank: how long, or why not."""
    if not short:
        return None
    missing = Amount(bank.mix, sum(missing_for(bank, one).mol for one in short))
    return booster_time(
        booster, bank, missing, max((one.target for one in short), key=lambda one: one.pascal)
    )


def with_gauges(bank: Bank, gauges: Sequence[Pressure | None]) -> Bank:
    """The same bank as if its gauges read so; None leaves a bottle as it is."""
    bottles = tuple(
        bottle if gauge is None else replace(bottle, gauge=gauge)
        for bottle, gauge in zip(bank.bottles, gauges, strict=True)
    )
    return replace(bank, bottles=bottles)
