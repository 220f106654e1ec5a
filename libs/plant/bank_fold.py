"""From a shop's facts about its bottles, and the fills that its whips gave, to what the bottles hold now.

Pure, and it never fails: a fact happened. It must never take gas from a bottle that did not have it, nor trust its own
estimate over a reading.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Final
from uuid import UUID

from cylinder.facts import (
    BankBottleRead,
    BankBottleReturned,
    BankBottleWithdrawn,
    BankClosed,
    BankSetUp,
    BankToppedUp,
)
from cylinder.recorded import Recorded
from gas.bank import Waiting, day
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import Temperature
from plant.bank_state import BankState, BottleState, held_by

# Nobody keys how large a cylinder is: the commonest aluminium one is taken, 11.1 litres of water. Those in use hold from
# about half of it to half as much again, so what a fill took is known to a half. Common practice, no source.
USUAL_LITRE: Final = 11.1
DRAWN_WITHIN_FRACTION: Final = 0.5

# Past so many an estimate is worth nothing, and nobody waits for it.
MOST_FILLS: Final = 200

_SHORT = "A fill took more than these bottles held by this estimate. Read the gauges."
_UNREAD = "A fill may have come from a bottle that nobody has read. Read its gauge."
_TOO_MANY = (
    f"{MOST_FILLS} fills or more since the last reading: these figures are worth nothing. Read the gauges."
)
_AMOUNT_UNKNOWN = "A fill was stopped and nobody keyed where: what it took is not counted. Read the gauges."


@dataclass(frozen=True)
class Draw:
    """What one cylinder took through a whip. `end` is None where a fill was stopped and nobody keyed the gauge."""

    whip: int
    start: Pressure
    end: Pressure | None
    volume_litre: float = USUAL_LITRE


@dataclass(frozen=True)
class Turn:
    """Something that happened, and its turn in the shop's log."""

    number: int
    what: Recorded | Draw


def bank_of(subject: str) -> UUID | None:
    """The bank that a subject names, if it names one."""
    family, _, name = subject.partition("/")
    try:
        return UUID(name) if family == "bank" else None
    except ValueError:
        return None


def bank_subject(bank_id: UUID) -> str:
    """The subject of facts about a bank."""
    return f"bank/{bank_id}"


def banks_of(turns: Iterable[Turn]) -> tuple[BankState, ...]:
    """Every bank, by name. The turns may come in any order, and twice: each counts once, at its number."""
    banks: dict[UUID, BankState] = {}
    waiting: dict[UUID, list[Draw]] = {}

    def settle(bank_id: UUID) -> None:
        """Fills in a row are worked out together: the engine is dear."""
        draws = waiting.pop(bank_id, [])
        if draws and bank_id in banks:
            banks[bank_id] = _drawn(banks[bank_id], draws)

    for turn in sorted({turn.number: turn for turn in turns}.values(), key=lambda turn: turn.number):
        if isinstance(turn.what, Draw):
            for bank_id, bank in banks.items():
                if turn.what.whip in bank.whips:
                    waiting.setdefault(bank_id, []).append(turn.what)
        elif (named := bank_of(turn.what.subject)) is not None:
            settle(named)
            moved = _said(banks.get(named), named, turn.what)
            banks.pop(named, None)
            banks |= {named: moved} if moved else {}
    for bank_id in tuple(waiting):
        settle(bank_id)
    return tuple(sorted(banks.values(), key=lambda bank: (bank.name.casefold(), bank.bank_id)))


def _said(known: BankState | None, bank_id: UUID, record: Recorded) -> BankState | None:
    match record.fact:
        case BankSetUp() as fact:
            return _set_up(bank_id, fact, known)
        case BankClosed():
            return None
        case _:
            return None if known is None else _moved(known, record)


def _set_up(bank_id: UUID, fact: BankSetUp, known: BankState | None) -> BankState:
    meant = Mix(fact.oxygen_percent / 100, fact.helium_percent / 100)
    kept = known if known is not None and known.meant == meant else None
    bottles = tuple(
        _kept_bottle(kept, marks.name, marks.volume_litre, marks.service.pressure) for marks in fact.bottles
    )
    if kept is None:
        return BankState(bank_id, fact.name, meant, meant, bottles, fact.whips)
    return replace(kept, name=fact.name, bottles=bottles, whips=fact.whips)


def _kept_bottle(bank: BankState | None, name: str, volume_litre: float, service: Pressure) -> BottleState:
    before = None if bank is None else bank.bottle(name)
    if before is None or before.volume_litre != volume_litre:
        return BottleState(name, volume_litre, service)
    return replace(before, name=name, service=service)


def _moved(bank: BankState, record: Recorded) -> BankState:
    match record.fact:
        case BankBottleRead(bottle=name, gauge=gauge, celsius=celsius):
            return _read(bank, (name,), gauge.pressure, celsius, record)
        case BankToppedUp(bottles=names, gauge=gauge, celsius=celsius, oxygen_percent=oxygen):
            if oxygen is not None and oxygen / 100 + bank.mix.helium_fraction <= 1:
                mix = Mix(oxygen / 100, bank.mix.helium_fraction)
                bank = replace(bank, mix=mix, is_analysed=True)
            return _read(bank, names, gauge.pressure, celsius, record)
        case BankBottleWithdrawn(bottle=name, why=why):
            return _with(bank, name, lambda one: replace(one, is_withdrawn=True, withdrawn_why=why))
        case BankBottleReturned(bottle=name):
            return _with(bank, name, lambda one: BottleState(one.name, one.volume_litre, one.service))
        case _:
            return bank


def _read(
    bank: BankState, names: tuple[str, ...], gauge: Pressure, celsius: float, record: Recorded
) -> BankState:
    mix = bank.mix
    for name in names:
        bank = _with(bank, name, lambda one: _as_read(mix, one, gauge, celsius, record))
    is_all_read = not bank.unread and bank.fills_since == 0
    return replace(bank, at=Temperature.of_c(celsius), unsure=() if is_all_read else bank.unsure)


def _as_read(mix: Mix, one: BottleState, gauge: Pressure, celsius: float, record: Recorded) -> BottleState:
    mol, within = held_by(mix, gauge, celsius, one.volume_litre)
    return replace(
        one, mol=mol, within_mol=within, read=gauge, read_c=celsius, read_at=record.at, fills_since=0
    )


def _with(bank: BankState, name: str, change: Callable[[BottleState], BottleState]) -> BankState:
    """A bottle that the bank has no more is passed over."""
    wanted = name.casefold()
    return replace(
        bank, bottles=tuple(change(one) if one.name.casefold() == wanted else one for one in bank.bottles)
    )


def _drawn(bank: BankState, draws: list[Draw]) -> BankState:
    """What fills took, the lowest usable bottle first, as a bank is worked. Each round of the loop uses up a cylinder."""
    unsure = list(bank.unsure)
    if any(draw.end is None for draw in draws):
        unsure.append(_AMOUNT_UNKNOWN)
    if bank.unread:
        unsure.append(_UNREAD)
    if bank.fills_since + len(draws) >= MOST_FILLS:
        unsure.append(_TOO_MANY)
    row = [
        Waiting(f"{number}", draw.volume_litre, draw.start, draw.end)
        for number, draw in enumerate(draws)
        if draw.end is not None and draw.end.is_above(draw.start)
    ]
    took: dict[str, float] = {}
    store = bank.as_bank()
    while row and store.bottles:
        done = day(store, row)
        for one in done.filled:
            for drawn in one.drawn:
                took[drawn.bottle] = took.get(drawn.bottle, 0.0) + drawn.amount.mol
        if not done.filled[-1].is_full:
            unsure.append(_SHORT)
        store, row = done.left, row[len(done.filled) :]
    bottles = tuple(_less(one, took.get(one.name, 0.0), len(draws)) for one in bank.bottles)
    return replace(bank, bottles=bottles, unsure=tuple(dict.fromkeys(unsure)))


def _less(bottle: BottleState, took_mol: float, fills: int) -> BottleState:
    if not bottle.gives or bottle.mol is None:
        return bottle
    return replace(
        bottle,
        mol=max(0.0, bottle.mol - took_mol),
        within_mol=bottle.within_mol + took_mol * DRAWN_WITHIN_FRACTION,
        fills_since=bottle.fills_since + fills,
    )
