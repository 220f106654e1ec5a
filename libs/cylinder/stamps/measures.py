"""Pressures, weights and sizes with their sign or unit: PW232, PH348BAR, 11,6KG, 4,9MM, 12,0L, M25x2, AA6061, REE 45.

Must never take a number without the sign or unit that says what it is.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final, Literal

from cylinder.stamps.reading import Part
from cylinder.stamps.typed import ALONE_AFTER, ALONE_BEFORE, DIGIT, Typed, is_figures
from gas.pressure import Pressure, Unit, odd_unit_question

_PRESSURE: Final = re.compile(
    rf"(?<![A-Z])(?P<sign>P\.?[WS]|W\.?P|P\.?[HT]|T\.?P)[ :=\-.]{{0,3}}(?P<figures>{DIGIT}{{1,13}})"
    r"(?:\s?(?P<unit>BARS?|PSIG?))?(?=$|[^A-Z0-9]|[PWT][WSHTP])"
)
_STATED: Final = re.compile(
    rf"{ALONE_BEFORE}(?P<figures>{DIGIT}{{2,5}})\s?(?P<unit>BARS?|PSIG?){ALONE_AFTER}"
)
_NUMBER: Final = r"(?<![A-Z0-9.,/\-])(?P<number>[0-9]{1,3}(?:[.,][0-9]{1,2})?)\s?"
_MASS: Final = re.compile(_NUMBER + "KGS?" + ALONE_AFTER)
_WALL: Final = re.compile(_NUMBER + "MM" + ALONE_AFTER)
_CAPACITY: Final = re.compile(_NUMBER + "(?:L|LTRS?|LIT(?:RE|ER)S?)" + ALONE_AFTER)
_REE: Final = re.compile(
    ALONE_BEFORE + r"REE[ :=.\-]{0,3}(?P<number>[0-9]{1,4}(?:[.,][0-9]{1,2})?)(?:\s?CC)?" + ALONE_AFTER
)
_TEMPERATURE: Final = re.compile(
    ALONE_BEFORE
    + r"TS[ :=]{0,2}(?P<low>[\-+]?[0-9]{1,3})\s?(?:°?C)?\s?/\s?(?P<high>[\-+]?[0-9]{1,3})(?:\s?°?C)?"
    + ALONE_AFTER
)
_THREAD: Final = re.compile(
    r"(?<![A-Z0-9./,\-])(?:(?P<taper>17E|25E|18P|25P)"
    r"|M(?P<diameter>18|25)\s?X\s?(?P<pitch>1[.,]5|2(?:[.,]0)?)"
    r"|(?P<inch>3/4|7/8)(?P<turns>[ \-](?:14|16))?[ \-]?(?P<form>NPSM|NGS|UNF))" + ALONE_AFTER
)
_ALLOY: Final = re.compile(
    ALONE_BEFORE
    + r"(?:(?:AA|ALLOY|AL)[ \-]?(?P<named>6061|6351|7060|5283)(?:[ \-]?T[46])?|(?P<tempered>6061|6351|7060)[ \-]?T[46])"
    + ALONE_AFTER
)

Measure = Literal["mass_kg", "wall_mm", "capacity_litre", "ree_cc"]
_MEASURES: Final[dict[Measure, re.Pattern[str]]] = {
    "mass_kg": _MASS,
    "wall_mm": _WALL,
    "capacity_litre": _CAPACITY,
    "ree_cc": _REE,
}


def read_working_and_test(typed: Typed) -> tuple[Pressure | None, Pressure | None]:
    """PW (also WP, PS) and PH (also PT, TP), in bar unless psi is written. 49 CFR 178.71(q), 2015 edition."""
    read: dict[Part, Pressure] = {}
    for found in typed.find(_PRESSURE):
        if not any(sign.isdigit() for sign in found["figures"]):
            continue
        is_working = found["sign"].replace(".", "") in ("PW", "WP", "PS")
        part: Part = "pressure" if is_working else "test pressure"
        pressure = _pressure(typed, found, part)
        typed.take(*found.span(), part)
        if pressure is not None and read.setdefault(part, pressure) != pressure:
            words = (
                f"A second {'working' if is_working else 'test'} pressure, {pressure.words()}: which is it?"
            )
            typed.remark(
                "pressure.twice", "refuse", part, words, found.span(), alternatives=(read[part].words(),)
            )
    return read.get("pressure"), read.get("test pressure")


def read_stated(typed: Typed) -> Pressure | None:
    """A pressure that stands alone with its unit, "3000 PSI"."""
    stated: Pressure | None = None
    for found in typed.find(_STATED):
        if not is_figures(found["figures"]):
            continue
        pressure = _pressure(typed, found, "pressure")
        typed.take(*found.span(), "pressure")
        if pressure is not None and stated not in (None, pressure):
            words = f"A second pressure, {pressure.words()}: which is it?"
            typed.remark("pressure.twice", "refuse", "pressure", words, found.span())
        stated = stated or pressure
    return stated


def read_measure(typed: Typed, measure: Measure) -> float | None:
    """A weight, wall, capacity or rejection expansion; a second one that differs is remarked on."""
    value: float | None = None
    for found in typed.find(_MEASURES[measure]):
        number = float(found["number"].replace(",", "."))
        typed.take(*found.span())
        if value is not None and number != value:
            words = f"{found[0].strip()} does not agree with {value:g} before it."
            typed.remark("measure.twice", "hold", "other", words, found.span())
        value = number if value is None else value
    return value


def read_thread(typed: Typed) -> str:
    """The thread of the neck as it is stamped: "25E", "M25x2", "3/4 NPSM"."""
    return _first(typed, _THREAD, _thread)


def read_alloy(typed: Typed) -> str:
    """The number of the aluminium alloy, "6061"."""
    return _first(typed, _ALLOY, lambda found: found["named"] or found["tempered"])


def read_temperature(typed: Typed) -> str:
    """The range of temperature behind TS, "-50/+65" (from memory)."""
    return _first(typed, _TEMPERATURE, lambda found: f"{int(found['low']):+d}/{int(found['high']):+d}")


def _first(typed: Typed, pattern: re.Pattern[str], said: Callable[[re.Match[str]], str]) -> str:
    first = ""
    for found in typed.find(pattern):
        one = said(found)
        typed.take(*found.span(), "other")
        if first and one != first:
            words = f"{found[0].strip()} does not agree with {first} before it."
            typed.remark("measure.twice", "hold", "other", words, found.span())
        first = first or one
    return first


def _thread(found: re.Match[str]) -> str:
    if found["taper"]:
        return str(found["taper"])
    if found["diameter"]:
        return f"M{found['diameter']}x{float(found['pitch'].replace(',', '.')):g}"
    turns = f"-{found['turns'][1:]}" if found["turns"] else ""
    return f"{found['inch']}{turns} {found['form']}"


def _pressure(typed: Typed, found: re.Match[str], part: Part) -> Pressure | None:
    at = found.span("figures")
    digits = typed.figures(at, part)
    unit: Unit = "psi" if (found["unit"] or "").startswith("PSI") else "bar"
    if len(digits) not in ((3, 4) if unit == "psi" else (3,)):
        words = f"{digits} cannot be bar." + (
            " It looks like psi." if len(digits) == 4 else " A pressure has three digits."
        )
        alternatives: tuple[str, ...] = ()
        if len(digits) == 4:
            alternatives = (f"{Pressure(float(digits), 'psi').bar:.0f} bar, if {digits} is psi",)
        typed.remark("pressure.psi_in_bar", "refuse", part, words, at, alternatives=alternatives)
        return None
    if digits.startswith("0"):
        words = f"No pressure begins with 0: {digits} is misread, or a sign is missing before it."
        typed.remark("pressure.leading_zero", "refuse", part, words, at)
        return None
    pressure = Pressure(float(digits), unit)
    if unit == "psi" and "sign" in found.re.groupindex:
        words = f"{pressure.words()} is written, but a UN mark is stamped in bar."
        typed.remark("pressure.unit", "hold", part, words, at, alternatives=(f"{pressure.bar:.0f} bar",))
    question = odd_unit_question(pressure) if part == "pressure" else None
    if question is not None:
        typed.remark("pressure.unusual", "hold", part, question, at)
    return pressure
