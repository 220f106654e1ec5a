"""The number fields of the what-if page: text in, figures of physics out, or every reason why not. Pure; records nothing.

It must never fill in a figure of a machine that nobody keyed: without one, nothing is said of that machine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from branch.banks_queue import Assumed
from cylinder.refusal import Reason
from gas.machine import Booster, Compressor
from gas.pressure import Pressure, Unit
from gas.quantity import CUBIC_FOOT_IN_LITRE
from plant.bank_fold import USUAL_LITRE
from plant.bank_state import BankState

MOST_MORE: Final = 100
_USUAL_START: Final = {"bar": "50", "psi": "700"}
_USUAL_TARGET: Final = {"bar": "207", "psi": "3000"}


@dataclass(frozen=True)
class Fields:
    """As keyed. `gauges` in the order of the bottles that give; empty text leaves a figure as it is."""

    litre: str = f"{USUAL_LITRE:g}"
    start: str = ""
    target: str = ""
    more: str = "0"
    gauges: tuple[str, ...] = ()
    delivery: str = ""
    swept: str = ""
    ratio: str = ""
    least: str = ""


@dataclass(frozen=True)
class Question:
    """The same in figures."""

    assumed: Assumed
    more: int
    gauges: tuple[Pressure | None, ...]
    compressor: Compressor | None
    booster: Booster | None


def usual(unit: Unit, waiting: int) -> Fields:
    """What stands in the fields at first: the usual cylinder, and some of them where none waits."""
    return Fields(start=_USUAL_START[unit], target=_USUAL_TARGET[unit], more="0" if waiting else "20")


def flow_unit(unit: Unit) -> str:
    """A shop that reads psi rates its compressor in cubic feet."""
    return "ft³/min" if unit == "psi" else "L/min"


def read_fields(fields: Fields, bank: BankState, unit: Unit) -> Question | tuple[Reason, ...]:
    """Every fault is named at once."""
    read = _Reader(unit)
    assumed = Assumed(
        read.figure("Size of a cylinder", fields.litre, 0.5, 50, "litres") or USUAL_LITRE,
        read.pressure("Left in a cylinder", fields.start, 0) or Pressure(0, unit),
        read.pressure("Filled to", fields.target, 1) or Pressure(1, unit),
    )
    if not read.reasons and not assumed.target.is_above(assumed.start):
        read.refuse("Filled to: this is not above what is left in the cylinder.")
    more = read.figure("More cylinders", fields.more or "0", 0, MOST_MORE, "cylinders") or 0
    if more != int(more):
        read.refuse("More cylinders: key a whole number.")
    gauges = [
        read.pressure(f"Bottle {bottle.name}", text, 0) if text else None
        for bottle, text in zip(bank.giving, fields.gauges, strict=True)
    ]
    compressor, booster = _compressor(read, fields), _booster(read, fields)
    if read.reasons:
        return tuple(read.reasons)
    return Question(assumed, int(more), tuple(gauges), compressor, booster)


def _compressor(read: _Reader, fields: Fields) -> Compressor | None:
    if not fields.delivery:
        return None
    delivery = read.figure("Compressor", fields.delivery, 0.1, 50_000, flow_unit(read.unit))
    return None if delivery is None else Compressor(delivery * read.litre_per_flow)


def _booster(read: _Reader, fields: Fields) -> Booster | None:
    """Each of its figures is needed: a booster without a ratio is nothing."""
    if not (fields.swept or fields.ratio or fields.least):
        return None
    swept = read.figure("Booster", fields.swept, 0.01, 50_000, flow_unit(read.unit))
    ratio = read.figure("Booster ratio", fields.ratio, 1.1, 200, "to 1")
    least = read.pressure("Booster, lowest supply", fields.least, 0)
    if swept is None or ratio is None or least is None:
        return None
    return Booster(swept * read.litre_per_flow, ratio, least)


class _Reader:
    """Reads figures, and keeps the reason for each that is none."""

    def __init__(self, unit: Unit) -> None:
        self.unit: Unit = unit
        self.litre_per_flow = CUBIC_FOOT_IN_LITRE if unit == "psi" else 1.0
        self.reasons: list[Reason] = []

    def refuse(self, words: str) -> None:
        self.reasons.append(Reason("bank.what-if", words, "input"))

    def figure(self, label: str, text: str, low: float, high: float, unit: str) -> float | None:
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = math.nan
        if low <= value <= high:
            return value
        said = f", not “{text[:20]}”" if text else ""
        self.refuse(f"{label}: key a number from {low:g} to {high:g} {unit}{said}.")
        return None

    def pressure(self, label: str, text: str, low: float) -> Pressure | None:
        value = self.figure(label, text, low, 450 if self.unit == "bar" else 6500, self.unit)
        return None if value is None else Pressure(value, self.unit)
