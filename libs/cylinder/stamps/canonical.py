"""A reading as text in one way: what was read and nothing else, so that reading it again gives the same stamps.

Must never print a remark, and never what was not read.
"""

from __future__ import annotations

from typing import Final

from cylinder.stamps.reading import DateMark, PermitMark, Reading, SpecificationMark, Stamps
from cylinder.stamps.spelled import unit_of
from gas.pressure import Pressure, Unit

_CONDEMNED: Final = {"CONDEMNED": "CONDEMNED", "OVERSTAMPED": "XXXXX"}


def canonical(reading: Reading) -> str:
    """For example "DOT-3A1800; SN:1234 MFR:XY INSP:AB MADE 1995-05 TEST 09 A123 2006+". Years have four digits, bar and litre a point."""
    stamps = reading.stamps
    marks = [*map(_specification, stamps.specifications), *map(_permit, stamps.permits)]
    blocks = [
        _CONDEMNED[stamps.condemned] if stamps.condemned else "",
        "; ".join(marks),
        " ".join(
            part
            for part in ("UN" if stamps.is_un else "", *stamps.standards, stamps.approval, stamps.country)
            if part
        ),
        " ".join(part for part in (*_measures(stamps), *stamps.also) if part),
        " ".join(part for part in _claims_and_dates(stamps) if part),
    ]
    return "; ".join(block for block in blocks if block)


def _specification(mark: SpecificationMark) -> str:
    authorities = "/".join(mark.authorities)
    return (
        f"{authorities}{'-' if authorities else ''}{mark.spec}{_figures(mark.pressure, unit_of(mark.spec))}"
    )


def _permit(mark: PermitMark) -> str:
    authority = f"{mark.authority}-" if mark.authority else ""
    figures = _figures(mark.pressure, "bar" if mark.authority == "TC" else "psi")
    return f"{authority}{mark.kind} {mark.number}{'-' if figures else ''}{figures}"


def _figures(pressure: Pressure | None, unit: Unit) -> str:
    """The bare figures; the unit only where it is not the one that belongs to the mark."""
    if pressure is None:
        return ""
    return f"{pressure.value:.0f}" + ("" if pressure.unit == unit else f" {pressure.unit.upper()}")


def _measures(stamps: Stamps) -> list[str]:
    return [
        f"PW{stamps.working.value:.0f}{stamps.working.unit.upper()}" if stamps.working else "",
        f"PH{stamps.test.value:.0f}{stamps.test.unit.upper()}" if stamps.test else "",
        f"{stamps.stated.value:.0f} {stamps.stated.unit.upper()}" if stamps.stated else "",
        f"TS{stamps.temperature}" if stamps.temperature else "",
        f"{stamps.mass_kg:g}KG" if stamps.mass_kg is not None else "",
        f"{stamps.wall_mm:g}MM" if stamps.wall_mm is not None else "",
        f"{stamps.capacity_litre:g}L" if stamps.capacity_litre is not None else "",
        f"REE {stamps.ree_cc:g}" if stamps.ree_cc is not None else "",
        stamps.thread,
        f"AA{stamps.alloy}" if stamps.alloy else "",
    ]


def _claims_and_dates(stamps: Stamps) -> list[str]:
    return [
        f"SN:{stamps.serial}" if stamps.serial else "",
        f"MFR:{stamps.maker}" if stamps.maker else "",
        f"INSP:{stamps.inspector}" if stamps.inspector else "",
        f"MADE {_date(stamps.made)}" if stamps.made else "",
        *(f"TEST {_date(mark)}" for mark in stamps.requalifications),
    ]


def _date(mark: DateMark) -> str:
    month = f"{mark.month.month:02d} {mark.rin} {mark.month.year:04d}" if mark.rin else str(mark.month)
    return month + "".join(mark.suffixes)
