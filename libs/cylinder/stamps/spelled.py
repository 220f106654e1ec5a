"""A specification spelled at one place of the text, with its figures: every way to read it, the cheapest first.

Owns the list of specifications. Must never settle between two readings: whoever asks says what the others are.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from cylinder.stamps.figures import MISREAD, NO_FIGURES, NONE, Figures, read_figures
from cylinder.stamps.typed import FOLDED
from gas.pressure import Unit

# 49 CFR 180.209 Table 1 (current-style text), as far as a cylinder for breathing gas may carry it or be mistaken for it.
IN_PSI: Final = (
    *("3", "3A", "3AA", "3AL", "3AX", "3AAX", "3T", "3HT", "3B", "3BN", "3E"),
    *("4B", "4BA", "4BW", "4E"),
)
# CSA B339, clause 4.17 (second-hand and from memory): metric marks with the service pressure in bar.
IN_BAR: Final = ("3AM", "3AAM", "3ALM", "3AXM", "3AAXM", "3HTM", "3TM")
SPECIFICATIONS: Final = tuple(sorted((*IN_PSI, *IN_BAR), key=len, reverse=True))

_PARTED: Final = 1
_SEPARATORS: Final = re.compile(r"[ \-.]{0,2}")


@dataclass(frozen=True, slots=True)
class Body:
    """One way to read what stands behind the authority. `misread` are places and what is read there instead."""

    spec: str
    start: int
    spec_end: int
    misread: tuple[tuple[int, str], ...]
    figures: Figures
    cost: int

    @property
    def unit(self) -> Unit:
        return unit_of(self.spec)

    @property
    def end(self) -> int:
        return max(self.spec_end, self.figures.past)

    @property
    def words(self) -> str:
        """For example "3AL 3000"."""
        return f"{self.spec} {self.figures.digits}".rstrip()


def unit_of(spec: str) -> Unit:
    """The unit of the pressure that is stamped behind a specification."""
    return "bar" if spec in IN_BAR else "psi"


def read_bodies(signs: str, at: int) -> list[Body]:
    """Every reading of the specification that begins at `at`, cheapest first; empty when there is none."""
    return sorted(_bodies(signs, at), key=lambda body: (body.cost, -len(body.spec)))


def _bodies(signs: str, at: int) -> Iterator[Body]:
    for spec in SPECIFICATIONS:
        spelled = _spelled(signs, at, spec)
        if spelled is None:
            continue
        end, misread, parted = spelled
        base = MISREAD * len(misread) + _PARTED * parted
        for figures in read_figures(signs, end, unit_of(spec)):
            if spec == "3" and figures.start == end and figures.digits.startswith("0"):
                continue  # "ICC-3000" has no specification; it is not a 3 of 000.
            yield Body(spec, at, end, misread, figures, base + figures.cost)
        is_whole = end >= len(signs) or not (signs[end].isascii() and signs[end].isalnum())
        if is_whole:
            yield Body(spec, at, end, misread, NONE, MISREAD * len(misread) + NO_FIGURES)


def _spelled(signs: str, at: int, spec: str) -> tuple[int, tuple[tuple[int, str], ...], int] | None:
    """Where the specification ends, which of its signs are misread, and how often it is parted; None when it is not there."""
    misread: list[tuple[int, str]] = []
    parted = 0
    for number, sign in enumerate(spec):
        if number:
            gap = _SEPARATORS.match(signs, at)
            parted += int(gap is not None and gap.end() > at)
            at = gap.end() if gap else at
        if at >= len(signs):
            return None
        if signs[at] != sign:
            if FOLDED.get(signs[at]) != FOLDED[sign]:
                return None
            misread.append((at, sign))
        at += 1
    return at, tuple(misread), parted
