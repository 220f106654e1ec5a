"""The figures of a pressure behind a specification or a permit: where they end, and which signs in them are misread.

Owns what a pressure looks like in figures. Must never join figures that belong to a date or a serial.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from cylinder.near import skeleton
from cylinder.stamps.typed import DIGIT, is_figures
from gas.pressure import HIGHEST_USUAL_BAR, LOWEST_USUAL_BAR, Pressure, Unit

_SEPARATORS: Final = re.compile(r"[\s\-.,:/]{0,3}")
_EXACT: Final = re.compile(r"\d(?: \d){2,3}(?![A-Z0-9])|\d{1,2}[ ,.']\d{3}(?![A-Z0-9])|\d+")
_LOOSE: Final = re.compile(rf"{DIGIT}+(?![A-Z0-9])")
_UNIT: Final = re.compile(r"\s?(PSIG?|BARS?)(?![A-Z0-9])")
_REST_OF_A_DATE: Final = re.compile(r"[\-/.]\d{1,2}(?!\d)")

# What a reading costs; the cheapest is taken. Only the order of the sums matters.
MISREAD: Final = 2
UNUSUAL: Final = 1
ODD_AND_MISREAD: Final = 8
GLUED: Final = 3
NO_FIGURES: Final = 6
WRONG_LENGTH: Final = 9


@dataclass(frozen=True, slots=True)
class Figures:
    """One way to read the figures: `start` to `end` in the signs, the unit if one is written, and what it costs."""

    written: str
    start: int
    end: int
    past: int
    unit: Unit | None
    cost: int

    @property
    def digits(self) -> str:
        return skeleton(self.written)


NONE: Final = Figures("", 0, 0, 0, None, NO_FIGURES)


def read_figures(signs: str, at: int, unit: Unit) -> Iterator[Figures]:
    """Every way to read a pressure in that unit from `at`; none when what stands there is something else."""
    separators = _SEPARATORS.match(signs, at)
    start = separators.end() if separators else at
    is_apart = start > at
    exact, misread = _EXACT.match(signs, start), _LOOSE.match(signs, start)
    if exact is not None:
        yield from _judged(signs, exact, unit, is_apart=is_apart)
    goes_on = misread is not None and (exact is None or misread.end() > exact.end())
    if (
        misread is not None
        and goes_on
        and (is_figures(misread[0], least=2) or (not is_apart and any(sign.isdigit() for sign in misread[0])))
    ):
        yield from _judged(signs, misread, unit, is_apart=is_apart)


def is_usual(figures: str, unit: Unit) -> bool:
    """Whether a cylinder for breathing gas may have this rating: 100 to 330 bar, as `gas.pressure` has it."""
    return LOWEST_USUAL_BAR <= Pressure(float(figures[:4]), unit).bar <= HIGHEST_USUAL_BAR


def _judged(signs: str, found: re.Match[str], unit: Unit, *, is_apart: bool) -> Iterator[Figures]:
    written_unit = _UNIT.match(signs, found.end())
    past = written_unit.end() if written_unit else found.end()
    said: Unit | None = None
    if written_unit:
        said = "psi" if written_unit[1].startswith("PSI") else "bar"
    digits = re.sub(r"[ ,.']", "", found[0])
    is_glued = past < len(signs) and signs[past].isascii() and signs[past].isalnum()
    is_date = digits[:2] in ("19", "20") and _REST_OF_A_DATE.match(signs, found.end()) is not None
    long_enough = len(digits) in ((3, 4) if unit == "psi" or said == "psi" else (3,))
    misread = sum(not sign.isdigit() for sign in digits)
    if misread and not long_enough:
        return
    if is_apart and (is_date or len(digits) < 3 or len(digits) > 4 or is_glued):
        return
    cost = MISREAD * misread
    if is_glued:
        cost += GLUED
    if not long_enough or skeleton(digits).startswith("0"):
        cost += WRONG_LENGTH
    elif not is_usual(skeleton(digits), said or unit):
        cost += ODD_AND_MISREAD if misread else UNUSUAL
    yield Figures(digits, found.start(), found.end(), past, said, cost)
