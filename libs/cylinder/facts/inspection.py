"""What an inspection or a pressure test found and measured, kept inside the fact that it came to: enough to judge it again by other rules.

Measures stay as they were keyed, number and unit. Decides nothing.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from cylinder.facts.shape import RuleId
from cylinder.marks import KeyedPressure, Note

Material = Literal["steel", "aluminium", "composite"]
Outcome = Literal["pass", "fail", "reject", "condemn"]
Quantity = Literal["depth", "length", "width", "area", "circumference", "temperature", "threads"]
MeasureUnit = Literal["mm", "in", "percent", "celsius", "fahrenheit", "thread lengths"]

_MM_PER_INCH = 25.4
"""Exactly, by definition (international yard and pound agreement of 1959)."""

UNITS: dict[Quantity, tuple[MeasureUnit, ...]] = {
    "depth": ("mm", "in"),
    "length": ("mm", "in"),
    "width": ("mm", "in"),
    "area": ("percent",),
    "circumference": ("percent",),
    "temperature": ("celsius", "fahrenheit"),
    "threads": ("thread lengths",),
}
"""In what each may be keyed. Area is a share of the outside; circumference is how much two places of it differ."""


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class KeyedLength(_Kept):
    """A length as it was keyed."""

    value: Annotated[float, Field(gt=0, le=10_000, allow_inf_nan=False)]
    unit: Literal["mm", "in"]

    @property
    def mm(self) -> float:
        """In millimetres."""
        return self.value * _MM_PER_INCH if self.unit == "in" else self.value


class KeyedMeasure(_Kept):
    """One measure of a finding as it was keyed. Raises for a unit that it cannot have."""

    what: Quantity
    value: Annotated[float, Field(ge=0, le=10_000, allow_inf_nan=False)]
    unit: MeasureUnit

    @model_validator(mode="after")
    def _has_its_unit(self) -> Self:
        if self.unit not in UNITS[self.what]:
            raise ValueError(
                f"{self.what} is measured in {' or '.join(UNITS[self.what])}, not in {self.unit}"
            )
        return self

    @property
    def number(self) -> float:
        """In mm, percent, degrees Celsius or thread lengths."""
        if self.unit == "in":
            return self.value * _MM_PER_INCH
        return (self.value - 32) / 1.8 if self.unit == "fahrenheit" else self.value

    @property
    def words(self) -> str:
        """For example "depth 0.06 in"."""
        unit = {"percent": "%", "celsius": "°C", "fahrenheit": "°F"}.get(self.unit, self.unit)
        return f"{'' if self.what == 'threads' else self.what + ' '}{self.value:g} {unit}"


class FoundDefect(_Kept):
    """One finding, what was measured of it, and the ids of the criteria that it meets."""

    defect: Annotated[str, StringConstraints(max_length=40)]
    measures: Annotated[tuple[KeyedMeasure, ...], Field(max_length=8)] = ()
    where: Annotated[str, StringConstraints(strip_whitespace=True, max_length=60)] = ""
    criteria: tuple[RuleId, ...] = ()

    @property
    def words(self) -> str:
        """For example "Pit at the base, depth 0.06 in"."""
        place = f"{self.defect[:1].upper()}{self.defect[1:]}{' at ' + self.where if self.where else ''}"
        return ", ".join((place, *(one.words for one in self.measures)))


class Inspected(_Kept):
    """A visual inspection by the form: what was proposed from the rules, and what a person confirmed or put in its place."""

    material: Material
    alloy: Literal["6351-T6", "other", "not known"] = "not known"
    wall: KeyedLength | None = None
    diameter: KeyedLength | None = None
    found: Annotated[tuple[FoundDefect, ...], Field(max_length=30)] = ()
    proposed: Outcome
    confirmed: Outcome
    overruled_because: Note = ""
    rules: Annotated[str, StringConstraints(max_length=200)] = ""
    """The pack and its edition, by which it was judged."""


Expansion = Annotated[float, Field(ge=0, le=100_000, allow_inf_nan=False)]
"""In cubic centimetres."""


class ReadingsAtTest(_Kept):
    """What was read and done at a requalification besides the two expansions.

    `crack_thread_lengths` is what eddy current and eye found in the neck: None is "not made", 0 is "no crack".
    """

    test_pressure: KeyedPressure | None = None
    held_s: Annotated[int, Field(ge=0, le=3600)] | None = None
    ree_cc: Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)] | None = None
    wants_plus: bool = False
    are_plus_conditions_met: bool = False
    alloy: Literal["6351-T6", "other", "not known"] = "not known"
    crack_thread_lengths: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] | None = None
    eddy_by: Note = ""
    rin: Annotated[str, StringConstraints(strip_whitespace=True, to_upper=True, max_length=8)] = ""


class Tested(_Kept):
    """A pressure test by the form: the readings, what follows from them, and what is stamped."""

    readings: ReadingsAtTest
    total_expansion_cc: Expansion | None = None
    permanent_expansion_cc: Expansion | None = None
    permanent_percent: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] | None = None
    elastic_cc: Expansion | None = None
    has_plus: bool = False
    has_eddy_current: bool = False
    rules: Annotated[str, StringConstraints(max_length=200)] = ""
