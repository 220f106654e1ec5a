"""What was read off a shoulder: the stamps as values, and remarks that point at the signs typed.

Owns the shape of a reading and what follows from it alone. Must never hold a guess without a remark beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from gas.pressure import Pressure
from rulebook import Bearing, YearMonth

Authority = Literal["DOT", "ICC", "CTC", "CRC", "BTC", "TC"]
Permit = Literal["SP", "E", "SU"]
Suffix = Literal["+", "★", "S", "E", "FS", "AE", "UE", "VE", "V"]
Condemned = Literal["CONDEMNED", "OVERSTAMPED"]
Part = Literal[
    "condemned",
    "authority",
    "specification",
    "pressure",
    "test pressure",
    "approval",
    "made",
    "requalification",
    "serial",
    "maker",
    "other",
]
Confidence = Literal["clear", "read again", "contradictory", "nothing read"]

NO_TEST_FOR_SCUBA: Final[frozenset[Suffix]] = frozenset({"E", "FS", "V"})
"""A cylinder for breathing gas wants a pressure test; these say that there was none, or that it is none of that kind."""

SAME_RATING_WITHIN: Final = 0.005
"""Two stamps of one rating in two units are rounded: 207 bar is 3002 psi. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing to say about the text from `start` up to, not including, `end`.

    `refuse`: it cannot be so. `hold`: a person looks again or chooses. `tell`: good to know.
    """

    code: str
    bearing: Bearing
    part: Part
    words: str
    start: int
    end: int
    alternatives: tuple[str, ...] = ()
    source: str = ""


@dataclass(frozen=True, slots=True)
class SpecificationMark:
    """ "CTC/DOT-3AL3000": whose rules, which specification, the service pressure behind it."""

    authorities: tuple[Authority, ...]
    spec: str
    pressure: Pressure | None


@dataclass(frozen=True, slots=True)
class PermitMark:
    """ "DOT-SP99999-3442": what this cylinder may do stands in the permit of that number."""

    authority: Authority | None
    kind: Permit
    number: str
    pressure: Pressure | None


@dataclass(frozen=True, slots=True)
class DateMark:
    """A month with what is stamped around it: the requalifier's number, and signs that say how it was tested."""

    month: YearMonth
    rin: str = ""
    suffixes: tuple[Suffix, ...] = ()


@dataclass(frozen=True, slots=True)
class Stamps:
    """Everything that was read, and nothing that was not. Empty and None mean: not read."""

    condemned: Condemned | None = None
    specifications: tuple[SpecificationMark, ...] = ()
    permits: tuple[PermitMark, ...] = ()
    is_un: bool = False
    standards: tuple[str, ...] = ()
    approval: str = ""
    country: str = ""
    working: Pressure | None = None
    test: Pressure | None = None
    stated: Pressure | None = None
    mass_kg: float | None = None
    wall_mm: float | None = None
    capacity_litre: float | None = None
    thread: str = ""
    alloy: str = ""
    temperature: str = ""
    ree_cc: float | None = None
    serial: str = ""
    maker: str = ""
    inspector: str = ""
    made: DateMark | None = None
    requalifications: tuple[DateMark, ...] = ()
    also: tuple[str, ...] = ()

    @property
    def ratings(self) -> tuple[Pressure, ...]:
        """Every service or working pressure, in the order of the shoulder."""
        ratings = (*self.marked_ratings, self.working, self.stated)
        return tuple(one for one in ratings if one is not None)

    @property
    def marked_ratings(self) -> tuple[Pressure, ...]:
        """The service pressures that stand behind a specification or a permit."""
        specified = [mark.pressure for mark in self.specifications]
        permitted = [mark.pressure for mark in self.permits]
        return tuple(one for one in (*specified, *permitted) if one is not None)


@dataclass(frozen=True, slots=True)
class Reading:
    """The text as it was typed, the stamps in it, what is missing, and what there is to say about it."""

    text: str
    stamps: Stamps
    missing: tuple[Part, ...]
    remarks: tuple[Remark, ...]

    @property
    def is_condemned(self) -> bool:
        """A block by itself, whatever else was read. 49 CFR 180.205(i)(2)(i), 2015 edition."""
        return self.stamps.condemned is not None

    @property
    def confidence(self) -> Confidence:
        if self.stamps == Stamps():
            return "nothing read"
        bearings = {remark.bearing for remark in self.remarks}
        if "refuse" in bearings:
            return "contradictory"
        return "read again" if "hold" in bearings or self.missing else "clear"

    def is_sure_of(self, part: Part) -> bool:
        """Whether this part was read and nothing asks for a second look at it: only then may a form be filled in with it."""
        doubted = any(remark.part == part and remark.bearing != "tell" for remark in self.remarks)
        return not doubted and part not in self.missing

    @property
    def spec(self) -> str:
        """The specification as a claim, without pressures: "CTC/DOT-3AL", "ISO 9809-1", "DOT-SP 99999". Empty: not read."""
        marks = [
            "/".join(mark.authorities) + ("-" if mark.authorities else "") + mark.spec
            for mark in self.stamps.specifications
        ]
        permits = [
            f"{one.authority or ''}{'-' if one.authority else ''}{one.kind} {one.number}"
            for one in self.stamps.permits
        ]
        return "/".join(marks or permits or self.stamps.standards[:1])

    @property
    def rated(self) -> Pressure | None:
        """The rating as stamped, of two roundings the lower; None when none was read, when it is in doubt, or condemned."""
        ratings = self.stamps.ratings
        if self.is_condemned or not ratings:
            return None
        if not self.is_sure_of("pressure") or any(
            one.part == "specification" and one.bearing != "tell" for one in self.remarks
        ):
            return None
        return min(ratings, key=lambda one: one.bar)

    @property
    def latest_requalification(self) -> DateMark | None:
        """The latest test, of a new cylinder its first, never a look from outside; None when a date is in doubt."""
        if self.is_condemned or not self.is_sure_of("requalification") or not self.is_sure_of("made"):
            return None
        tests = [mark for mark in self.stamps.requalifications if not NO_TEST_FOR_SCUBA & set(mark.suffixes)]
        dates = [*tests, *([self.stamps.made] if self.stamps.made else [])]
        return max(dates, key=lambda mark: mark.month, default=None)


def same_rating(one: Pressure, other: Pressure) -> bool:
    """Whether two stamps say one rating, each rounded in its own unit."""
    return abs(one.bar - other.bar) <= SAME_RATING_WITHIN * max(one.bar, other.bar)
