"""A shop's storage bottles: how a bank is set up, what its gauges read, what the compressor put in. A family of their own.

They change no standing and no visit; `plant` folds what the bottles hold from them.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from cylinder.facts.shape import Fact, Short
from cylinder.marks import KeyedPressure

BottleName = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=24)]
BankName = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=40)]
Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
BottleCelsius = Annotated[float, Field(ge=-40, le=90, allow_inf_nan=False)]
MOST_BOTTLES = 24


class BottleMarks(BaseModel):
    """One storage bottle: water volume and service pressure as they are stamped on it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: BottleName
    volume_litre: Annotated[float, Field(ge=1, le=400, allow_inf_nan=False)]
    service: KeyedPressure


class BankSetUp(Fact):
    """A manager says which bottles make up the bank in the subject, what gas it is for, and which whips it feeds.

    A later one replaces it whole: a bottle of the same name and volume keeps what it holds while the gas is the same.
    """

    KIND = "bank.set_up"
    name: BankName
    oxygen_percent: Percent
    helium_percent: Percent = 0.0
    bottles: Annotated[tuple[BottleMarks, ...], Field(min_length=1, max_length=MOST_BOTTLES)]
    whips: tuple[Annotated[int, Field(ge=1, le=24)], ...] = ()

    @model_validator(mode="after")
    def _is_one_bank(self) -> BankSetUp:
        if self.oxygen_percent + self.helium_percent > 100:
            raise ValueError("oxygen and helium together are more than 100 %")
        names = [bottle.name.casefold() for bottle in self.bottles]
        if len(set(names)) < len(names):
            raise ValueError("two bottles have the same name; give each its own")
        return self


class BankBottleRead(Fact):
    """The gauge of one bottle, and how warm it was."""

    KIND = "bank.bottle_read"
    bottle: BottleName
    gauge: KeyedPressure
    celsius: BottleCelsius


class BankToppedUp(Fact):
    """The compressor or the booster brought these bottles to that gauge. `oxygen_percent` where it was analysed afterwards."""

    KIND = "bank.topped_up"
    bottles: Annotated[tuple[BottleName, ...], Field(min_length=1, max_length=MOST_BOTTLES)]
    gauge: KeyedPressure
    celsius: BottleCelsius
    oxygen_percent: Percent | None = None


class BankBottleWithdrawn(Fact):
    """A bottle is closed and gives nothing until it is taken back."""

    KIND = "bank.bottle_withdrawn"
    bottle: BottleName
    why: Short


class BankBottleReturned(Fact):
    """A bottle that was withdrawn is open again; what it holds is unknown until it is read."""

    KIND = "bank.bottle_returned"
    bottle: BottleName
    finding: Short


class BankClosed(Fact):
    """There is no such bank any more."""

    KIND = "bank.closed"
    why: Short
