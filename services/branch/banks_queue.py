"""Which cylinders on the floor wait for a bank's gas, and what has to be assumed of each. Pure: visits in, a row out.

It must never decide what may be filled, and never pass an assumption off as a reading.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from uuid import UUID

from branch.floor import against
from cylinder.standing import Standing
from cylinder.visit import Visit
from gas.bank import Waiting
from gas.pressure import Pressure
from plant.bank_state import BankState

_SAME_GAS_WITHIN = 0.01 + 1e-9  # ±1 % oxygen, as a fill is judged. Common practice.


@dataclass(frozen=True)
class Assumed:
    """What stands in for what nobody has keyed of a cylinder yet."""

    volume_litre: float
    start: Pressure
    target: Pressure


@dataclass(frozen=True)
class InLine:
    """One cylinder that waits. What was read of it, the rest assumed."""

    tag: int
    waiting: Waiting
    start_is_read: bool
    target_is_read: bool


@dataclass(frozen=True)
class Queue:
    """Who waits for this bank, by tag; and how many wait for another gas or may not be filled."""

    line: tuple[InLine, ...]
    other_gas: int = 0
    stopped: int = 0


def queue(
    visits: Iterable[Visit], standings: Mapping[UUID, Standing], bank: BankState, assumed: Assumed
) -> Queue:
    """Every cylinder that is neither full nor held, and wants the gas that the bank is for."""
    line: list[InLine] = []
    other_gas = stopped = 0
    for visit in sorted(visits, key=lambda one: one.tag):
        standing = standings.get(visit.cylinder_id) if visit.cylinder_id else None
        if visit.completed is not None:
            continue
        if against(visit, standing) != "open":
            stopped += 1
        elif not _is_for(bank, visit):
            other_gas += 1
        elif (one := _in_line(visit, assumed)) is not None:
            line.append(one)
    return Queue(tuple(line), other_gas, stopped)


def _is_for(bank: BankState, visit: Visit) -> bool:
    gas = visit.gas
    if gas.is_air:
        return bank.meant.words() == "Air"
    return (
        abs(gas.oxygen_percent / 100 - bank.meant.oxygen_fraction) <= _SAME_GAS_WITHIN
        and abs(gas.helium_percent / 100 - bank.meant.helium_fraction) <= _SAME_GAS_WITHIN
    )


def _in_line(visit: Visit, assumed: Assumed) -> InLine | None:
    read = visit.readings[-1].pressure if visit.readings else visit.residual
    wanted = visit.authorised.target if visit.authorised else visit.rating.rated if visit.rating else None
    start = read.pressure if read else assumed.start
    target = wanted.pressure if wanted else assumed.target
    if not target.is_above(start):
        return None
    waiting = Waiting(f"Tag {visit.tag}", assumed.volume_litre, start, target)
    return InLine(visit.tag, waiting, read is not None, wanted is not None)
