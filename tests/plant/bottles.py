"""A bank on paper: what was recorded of it, turn by turn."""

from __future__ import annotations

import datetime as dt
from uuid import UUID

from cylinder.facts import BankBottleRead, BankSetUp, BankToppedUp, Fact
from cylinder.facts.banks import BottleMarks
from cylinder.marks import KeyedPressure
from cylinder.recorded import Origin, Recorded
from gas.pressure import Pressure
from plant.bank_fold import Draw, Turn, bank_subject

BANK = UUID("0b8f7a52-0a0e-4c5e-8f5b-000000000001")
OTHER_BANK = UUID("0b8f7a52-0a0e-4c5e-8f5b-000000000002")
MORNING = dt.datetime(2026, 6, 15, 8, tzinfo=dt.UTC)
_HERE = Origin("le-phare", "key", UUID(int=1), 1)


def keyed(bar: float) -> KeyedPressure:
    return KeyedPressure(value=bar, unit="bar")


def said(number: int, fact: Fact, bank_id: UUID = BANK) -> Turn:
    at = MORNING + dt.timedelta(minutes=number)
    return Turn(
        number,
        Recorded(UUID(int=number), fact.KIND, fact, "neutral", bank_subject(bank_id), at.date(), at, "op-1", "operator", _HERE),
    )  # fmt: skip


def set_up(
    *names: str, oxygen: float = 20.96, helium: float = 0, whips: tuple[int, ...] = (1,), litre: float = 50
) -> BankSetUp:
    bottles = tuple(BottleMarks(name=name, volume_litre=litre, service=keyed(300)) for name in names)
    return BankSetUp(
        name="Air bank", oxygen_percent=oxygen, helium_percent=helium, bottles=bottles, whips=whips
    )


def read(bottle: str, bar: float, celsius: float = 21) -> BankBottleRead:
    return BankBottleRead(bottle=bottle, gauge=keyed(bar), celsius=celsius)


def topped(*bottles: str, bar: float = 300, celsius: float = 21, oxygen: float | None = None) -> BankToppedUp:
    return BankToppedUp(bottles=bottles, gauge=keyed(bar), celsius=celsius, oxygen_percent=oxygen)


def fill(number: int, *, whip: int = 1, start: float = 50, end: float | None = 207) -> Turn:
    reached = None if end is None else Pressure(end, "bar")
    return Turn(number, Draw(whip, Pressure(start, "bar"), reached))
