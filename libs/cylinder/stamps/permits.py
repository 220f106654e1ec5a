"""Special permits and exemptions: DOT-SP 99999, DOT-E 9999, TC-SU 5555, with the pressure behind the number.

Must never say what a permit allows: that stands in the permit alone.
"""

from __future__ import annotations

import re
from typing import Final, cast

from cylinder.near import skeleton
from cylinder.stamps.figures import NONE, Figures, is_usual, read_figures
from cylinder.stamps.reading import Permit, PermitMark
from cylinder.stamps.specification import AUTHORITY, authorities_in, pressure_of
from cylinder.stamps.typed import ALONE_BEFORE, DIGIT, Typed, is_figures
from gas.pressure import Unit

_KIND: Final = r"(?P<kind>SPECIAL PERMIT|EXEMPTION|EX|E|[S5]\.?P\.?|[S5]U)[ \-.#:/]{0,3}"
_NUMBER: Final = rf"(?P<number>{DIGIT}+)"
_PERMIT: Final = re.compile(rf"{ALONE_BEFORE}(?P<authority>{AUTHORITY})[ \-./]{{0,3}}{_KIND}{_NUMBER}")
_BARE: Final = re.compile(rf"{ALONE_BEFORE}{_KIND}{_NUMBER}(?![A-Z0-9])")


def read_permits(typed: Typed) -> tuple[PermitMark, ...]:
    """Every permit with its authority before it."""
    marks = [_read(typed, found) for found in typed.find(_PERMIT) if is_figures(found["number"], least=3)]
    return tuple(dict.fromkeys(mark for mark in marks if mark is not None))


def read_bare_permits(typed: Typed) -> tuple[PermitMark, ...]:
    """A permit that stands without its authority: only for a shoulder on which no specification was read."""
    for found in typed.find(_BARE):
        if not is_figures(found["number"], least=3) or len(found["number"]) not in (4, 5, 7, 8, 9):
            continue
        kind, digits = _kind(found["kind"]), skeleton(found["number"])
        alternatives = (f"permit DOT-{kind} {digits}", f"serial {found[0]}")
        words = f"“{found[0]}” is read as a permit; whose permit it is, is missing."
        typed.remark("authority.missing", "hold", "authority", words, found.span(), alternatives=alternatives)
        mark = _read(typed, found)
        return () if mark is None else (mark,)
    return ()


def _read(typed: Typed, found: re.Match[str]) -> PermitMark | None:
    authority = None
    if "authority" in found.re.groupindex:
        authority = authorities_in(typed, found.span("authority"))[0]
    kind, written, at = _kind(found["kind"]), found["number"], found.span("number")
    unit: Unit = "bar" if authority == "TC" else "psi"
    splits = _splits(written, unit)
    if not splits:
        words = f"The number of a permit has four or five digits, and {written[:20]} has {len(written)}."
        typed.remark("permit.length", "refuse", "specification", words, at)
        behind = re.compile(r"[ \-]?[0-9]{3,4}(?![0-9])").match(typed.open, found.end())
        typed.take(found.start(), behind.end() if behind else found.end())
        return None
    if found["kind"][0] == "5":
        typed.misread(found.start("kind"), "5", "S", "specification")
    length = splits[0]
    number = typed.figures((at[0], at[0] + length), "specification")
    figures = _figures_behind(typed, at[0] + length, unit, is_glued=length < len(written))
    if len(splits) > 1:
        ways = tuple(f"{skeleton(written[:one])} and {skeleton(written[one:])}" for one in splits)
        words = f"Where does the number of the permit end? It is read as {ways[0]}."
        typed.remark("permit.ambiguous", "hold", "specification", words, at, alternatives=ways[1:])
    pressure = pressure_of(typed, figures, unit, after=f"{kind} {number}", at=at)
    typed.take(found.start(), max(at[0] + length, figures.past), "specification")
    return PermitMark(authority, kind, number, pressure)


def _splits(written: str, unit: Unit) -> list[int]:
    """How long the number may be when the pressure is glued to it, the likeliest first."""
    lengths = (3,) if unit == "bar" else (4, 3)
    if len(written) in (4, 5):
        return [len(written)]
    ends = [end for end in (4, 5) if len(written) - end in lengths]
    return sorted(ends, key=lambda end: not is_usual(skeleton(written[end:]), unit))


def _figures_behind(typed: Typed, at: int, unit: Unit, *, is_glued: bool) -> Figures:
    if not is_glued and typed.open[at : at + 1].isalnum():
        return NONE
    ways = sorted(read_figures(typed.open, at, unit), key=lambda one: one.cost)
    return ways[0] if ways else NONE


def _kind(written: str) -> Permit:
    plain = written.replace(".", "").replace("5", "S")
    return cast(Permit, {"SPECIAL PERMIT": "SP", "EXEMPTION": "E", "EX": "E"}.get(plain, plain))
