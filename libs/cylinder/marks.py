"""What is stamped on the metal, as a person keys it: pressures, months, the marks that name a cylinder.

Pydantic, because these are stored inside facts; frozen, because what was read was read.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints

from gas.pressure import Pressure
from rulebook import YearMonth


def _readable_serial(text: str) -> str:
    tidy = " ".join(text.upper().split())
    if not re.search(r"[A-Z0-9]", tidy):
        raise ValueError("a serial needs at least one letter or digit; key what is stamped")
    return tidy


def _year_month(text: str) -> str:
    YearMonth.parse(text)
    return text


Serial = Annotated[
    str,
    StringConstraints(max_length=32, pattern=r"^[A-Za-z0-9 ./*-]*$"),
    AfterValidator(_readable_serial),
]
MakerSymbol = Annotated[str, StringConstraints(strip_whitespace=True, to_upper=True, max_length=16)]
SpecMark = Annotated[
    str, StringConstraints(strip_whitespace=True, to_upper=True, min_length=1, max_length=24)
]
Month = Annotated[str, StringConstraints(pattern=r"^\d{4}-\d{2}$"), AfterValidator(_year_month)]
"""A stamped month, "YYYY-MM"."""
Note = Annotated[str, StringConstraints(strip_whitespace=True, max_length=500)]


class KeyedPressure(BaseModel):
    """A gauge pressure exactly as it was keyed: the number and the unit on the stamp or dial."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    value: Annotated[float, Field(ge=0, le=9999, allow_inf_nan=False)]
    unit: Literal["psi", "bar"]

    @property
    def pressure(self) -> Pressure:
        """The same as a pressure that can be compared."""
        return Pressure(self.value, self.unit)

    @property
    def words(self) -> str:
        """For example "3000 psi"."""
        return self.pressure.words()


class Marks(BaseModel):
    """The claims by which a cylinder is known: never one serial alone, which two makers may share."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    serial: Serial
    maker: MakerSymbol
    spec: SpecMark
    first_test: Month


ShoulderText = Annotated[str, StringConstraints(max_length=400)]
"""A shoulder as a person types it: lines, spaces, lower case and all. As many signs as `cylinder.stamps` reads."""


class Shoulder(BaseModel):
    """What a person typed off the shoulder in one visit, and how it was read that day; the text stays the evidence."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    text: ShoulderText
    canonical: Annotated[str, StringConstraints(max_length=1000)] = ""


Sign = Literal["+", "★", "S", "E", "FS", "AE", "UE", "VE", "V"]
"""A sign behind a stamped date (49 CFR 180.213(f), 2015 edition; V as `cylinder.stamps` reads it)."""


class DateStamp(BaseModel):
    """What stands around the latest requalification date: whether it is the day of a test or the day it runs out, and its signs.

    `plus_after` is the date behind which a plus stands; a later test without one ends it.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Literal["tested", "expires"] | None = None
    signs: Annotated[tuple[Sign, ...], Field(max_length=9)] = ()
    plus_after: Month | None = None


class GasWanted(BaseModel):
    """What the diver asks for, in percent by volume; 21 and 0 is air."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    oxygen_percent: Annotated[float, Field(ge=5, le=100, allow_inf_nan=False)] = 21.0
    helium_percent: Annotated[float, Field(ge=0, le=95, allow_inf_nan=False)] = 0.0

    @property
    def is_air(self) -> bool:
        """Plain compressed air: no analysis is asked of the diver."""
        return self.oxygen_percent == 21.0 and self.helium_percent == 0.0

    @property
    def words(self) -> str:
        """ "Air", "Nitrox 32", "Trimix 18/45"."""
        if self.is_air:
            return "Air"
        if self.helium_percent:
            return f"Trimix {self.oxygen_percent:g}/{self.helium_percent:g}"
        return f"Nitrox {self.oxygen_percent:g}"
