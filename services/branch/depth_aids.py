"""Small sums about depth, for the label and the talk at the counter: keyed text in, figures in words or every reason out.

Pure. It must never round towards danger, fill in a mixture that nobody keyed, or plan a dive.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, Literal, get_args

from cylinder.refusal import Reason
from gas import depth as sea
from gas.exposure import (
    EASY_G_PER_LITRE,
    EXPOSURE_LIMITS,
    HARD_G_PER_LITRE,
    density_g_per_litre_at_ft,
    density_g_per_litre_at_m,
    ease,
    exposure_limit,
    share_of_single_limit,
)
from gas.mixture import Mix

AidName = Literal["mod", "best-mix", "ead", "end", "density", "exposure"]
FieldName = Literal["oxygen", "helium", "depth", "limit", "minutes"]
DepthUnit = Literal["m", "ft"]

# Only catches a slip of the finger. No source.
_DEEPEST: Final = {"m": 350.0, "ft": 1150.0}
# Below this a mixture is called thin at the surface. Common practice, no source.
_THIN_OXYGEN_FRACTION: Final = 0.18
_NOISE = 1e-9


@dataclass(frozen=True)
class Aid:
    """One sum: what it is called, what it asks, how it is done and where that is written."""

    name: AidName
    title: str
    tells: str
    fields: tuple[FieldName, ...]
    formula_m: str
    formula_ft: str
    source: str

    def formula(self, unit: DepthUnit) -> str:
        return self.formula_m if unit == "m" else self.formula_ft


@dataclass(frozen=True)
class DepthAsked:
    """As it was keyed, text and all."""

    unit: str = ""
    oxygen: str = ""
    helium: str = ""
    depth: str = ""
    limit: str = ""
    minutes: str = ""


@dataclass(frozen=True)
class Line:
    """One figure of an answer. `value` is rounded to the safe side; `note` says what else there is to know."""

    label: str
    value: float
    unit: str
    note: str = ""
    decimals: int = 0

    @property
    def words(self) -> str:
        return f"{self.value:.{self.decimals}f} {self.unit}"


@dataclass(frozen=True)
class DepthAnswer:
    """The figures, the mixture they are for, and what the diver must be told beside them."""

    head: str
    lines: tuple[Line, ...]
    warnings: tuple[str, ...] = ()


CAUTION: Final = (
    "A planning aid, not a dive computer. Only a diver trained and certified for the gas dives it, inside the limits of that"
    " training, after analysing the cylinder. Local codes and the diver's own agency come first."
)
SEA_WATER: Final = (
    "Sea water: 10 m or 33 ft to one atmosphere. Fresh water is about 3 % lighter, so at the same depth these figures stand on"
    " the safe side there."
)

AIDS: Final = (
    Aid("mod", "Maximum operating depth", "how deep this mixture may go", ("oxygen", "helium", "limit"),
        "MOD = 10 · (P ÷ FO₂ − 1), in m, rounded down", "MOD = 33 · (P ÷ FO₂ − 1), in ft, rounded down",
        "Dalton's law as in 29 CFR 1910 Subpart T Appendix C. 1.4 ATA: NOAA, planned maximum since 5 September 2015; 1.6 ATA remains for decompression."),
    Aid("best-mix", "Best mix", "the richest mixture for a depth", ("depth", "limit"),
        "FO₂ = P ÷ (D ÷ 10 + 1), rounded down to whole per cent", "FO₂ = P ÷ (D ÷ 33 + 1), rounded down to whole per cent",
        "29 CFR 1910 Subpart T Appendix C, which takes 28 % for 130 ft at 1.4 ATA"),
    Aid("ead", "Equivalent air depth", "nitrox by a table made for air", ("oxygen", "depth"),
        "EAD = (1 − FO₂) · (D + 10) ÷ 0.79 − 10, in m, rounded up", "EAD = (1 − FO₂) · (D + 33) ÷ 0.79 − 33, in ft, rounded up",
        "US Navy Diving Manual, chapter 10"),
    Aid("end", "Equivalent narcotic depth", "the air depth that dulls as much", ("oxygen", "helium", "depth"),
        "All but helium counts: END = (1 − FHe) · (D + 10) − 10. Nitrogen alone counts: END = FN₂ · (D + 10) ÷ 0.79 − 10. In m, rounded up",
        "All but helium counts: END = (1 − FHe) · (D + 33) − 33. Nitrogen alone counts: END = FN₂ · (D + 33) ÷ 0.79 − 33. In ft, rounded up",
        "Common practice; the open encyclopedia's article on equivalent narcotic depth"),
    Aid("density", "Gas density", "how hard the gas is to breathe there", ("oxygen", "helium", "depth"),
        "ρ = M · (D ÷ 10 + 1) atm ÷ (R · T) at 0 °C, rounded up", "ρ = M · (D ÷ 33 + 1) atm ÷ (R · T) at 0 °C, rounded up",
        f"Advice: easy up to {EASY_G_PER_LITRE} g/L, not planned above {HARD_G_PER_LITRE} g/L. From memory of the paper by Anthony and Mitchell (2016): verify"),
    Aid("exposure", "Oxygen exposure", "how long oxygen may be breathed there", ("oxygen", "helium", "depth", "minutes"),
        "PO₂ = FO₂ · (D ÷ 10 + 1) in ATA, then the next higher line of the table", "PO₂ = FO₂ · (D ÷ 33 + 1) in ATA, then the next higher line of the table",
        "NOAA Diving Manual, oxygen exposure limits for working dives, second-hand"),
)  # fmt: skip


def aid_of(name: str) -> Aid | None:
    """The sum of that name, if there is one."""
    return next((aid for aid in AIDS if aid.name == name), None)


def unit_of(asked: DepthAsked, usual: DepthUnit) -> DepthUnit:
    """The unit that was asked for, or the shop's usual one."""
    return next((unit for unit in get_args(DepthUnit) if unit == asked.unit), usual)


def answer(aid: Aid, asked: DepthAsked, unit: DepthUnit) -> DepthAnswer | tuple[Reason, ...]:
    """The figures, or every reason why there are none."""
    keyed = _Keyed(aid, asked, unit)
    if keyed.reasons:
        return tuple(keyed.reasons)
    try:
        return _SUMS[aid.name](keyed)
    except ValueError as wrong:
        return (Reason("depth.sum", _sentence(str(wrong)), "input"),)


class _Keyed:
    """The figures of a question. What a sum does not ask is not read; each fault is named."""

    def __init__(self, aid: Aid, asked: DepthAsked, unit: DepthUnit) -> None:
        self.reasons: list[Reason] = []
        self.unit: DepthUnit = unit
        wanted = aid.fields
        if asked.unit and asked.unit not in get_args(DepthUnit):
            self.reasons.append(Reason("depth.unit", "A depth is in m or ft.", "input"))
        self.depth = self._figure("depth", asked.depth, "depth" in wanted, 0, _DEEPEST[unit], unit)
        self.limit = self._figure(
            "oxygen limit", asked.limit or f"{sea.WORKING_OXYGEN_ATM}", "limit" in wanted, 0.16, sea.HIGHEST_OXYGEN_ATM, "ATA"
        )  # fmt: skip
        self.minutes = self._figure("time", asked.minutes or "0", "minutes" in wanted, 0, 1440, "minutes")
        oxygen = self._figure("oxygen", asked.oxygen, "oxygen" in wanted, 1, 100, "%")
        helium = self._figure("helium", asked.helium or "0", "helium" in wanted, 0, 99, "%")
        self.mix = self._mix(oxygen, helium)

    def _figure(self, what: str, text: str, is_wanted: bool, low: float, high: float, unit: str) -> float:
        if not is_wanted:
            return 0.0
        words = f"{what.capitalize()}: key a number from {low:g} to {high:g} {unit}"
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = math.nan
        if low <= value <= high:
            return value
        shown = f", not “{text[:20]}”." if text else "."
        self.reasons.append(Reason(f"depth.{what.replace(' ', '-')}", words + shown, "input"))
        return low

    def _mix(self, oxygen_percent: float, helium_percent: float) -> Mix:
        try:
            return Mix(oxygen_percent / 100, helium_percent / 100)
        except ValueError as wrong:
            self.reasons.append(Reason("depth.mix", _sentence(str(wrong)), "input"))
            return Mix(0.21)

    def by_unit(
        self, metres: Callable[[Mix, float], float], feet: Callable[[Mix, float], float], x: float
    ) -> float:
        return (metres if self.unit == "m" else feet)(self.mix, x)

    def oxygen_atm(self) -> float:
        return self.by_unit(sea.oxygen_atm_at_m, sea.oxygen_atm_at_ft, self.depth)

    def at_depth(self) -> str:
        return f"{self.mix.words()} at {self.depth:g} {self.unit}"

    def warnings(self) -> tuple[str, ...]:
        """What has to be said of breathing this mixture at this depth, whatever was asked."""
        atm, shown = self.oxygen_atm(), _up(self.oxygen_atm(), 2)
        found = []
        if atm > sea.HIGHEST_OXYGEN_ATM + _NOISE:
            found.append(
                f"Do not breathe it there: {shown:.2f} ATA of oxygen is past {sea.HIGHEST_OXYGEN_ATM} ATA."
            )
        elif atm > sea.WORKING_OXYGEN_ATM + _NOISE:
            found.append(
                f"{shown:.2f} ATA of oxygen is past {sea.WORKING_OXYGEN_ATM} ATA, the planned maximum of a working dive."
            )
        if atm < _THIN_OXYGEN_FRACTION - _NOISE:
            found.append(
                f"Do not breathe it there: {_down(atm, 2):.2f} ATA of oxygen may not keep a diver awake."
            )
        return (*found, *_thin(self.mix))


def _mod(keyed: _Keyed) -> DepthAnswer:
    lines = [_mod_line(keyed, keyed.limit)]
    if keyed.limit < sea.HIGHEST_OXYGEN_ATM:
        lines.append(
            _mod_line(keyed, sea.HIGHEST_OXYGEN_ATM, "only for decompression, never planned to work at")
        )
    return DepthAnswer(keyed.mix.words(), tuple(lines), _thin(keyed.mix))


def _mod_line(keyed: _Keyed, limit: float, note: str = "") -> Line:
    return Line(
        f"MOD at {limit:g} ATA", keyed.by_unit(sea.mod_m_shown, sea.mod_ft_shown, limit), keyed.unit, note
    )


def _best_mix(keyed: _Keyed) -> DepthAnswer:
    best = sea.best_oxygen_fraction_at_m if keyed.unit == "m" else sea.best_oxygen_fraction_at_ft
    percent = sea.oxygen_percent_shown(best(keyed.depth, keyed.limit))
    keyed.mix = Mix(percent / 100)
    note = "what the analyser shows must not be above it"
    line = Line(f"Oxygen at most, for {keyed.limit:g} ATA", percent, "%", note)
    return DepthAnswer(f"{keyed.depth:g} {keyed.unit}", (line, _mod_line(keyed, keyed.limit, f"of a mixture with {percent} %")), _thin(keyed.mix))  # fmt: skip


def _ead(keyed: _Keyed) -> DepthAnswer:
    exact = keyed.by_unit(sea.ead_m, sea.ead_ft, keyed.depth)
    return DepthAnswer(keyed.at_depth(), (_depth_line("EAD", exact, keyed.unit),), keyed.warnings())


def _end(keyed: _Keyed) -> DepthAnswer:
    end = sea.end_m if keyed.unit == "m" else sea.end_ft
    both = end(keyed.mix, keyed.depth, oxygen_is_narcotic=True)
    nitrogen = end(keyed.mix, keyed.depth, oxygen_is_narcotic=False)
    lines = (
        _depth_line("END, oxygen and nitrogen both counted", both, keyed.unit),
        _depth_line("END, nitrogen alone counted", nitrogen, keyed.unit),
    )
    return DepthAnswer(keyed.at_depth(), lines, keyed.warnings())


def _density(keyed: _Keyed) -> DepthAnswer:
    exact = keyed.by_unit(density_g_per_litre_at_m, density_g_per_litre_at_ft, keyed.depth)
    said = {"easy": f"easy: not above {EASY_G_PER_LITRE} g/L", "laboured": f"laboured: above {EASY_G_PER_LITRE} g/L",
            "too dense": f"too dense to plan: above {HARD_G_PER_LITRE} g/L"}[ease(exact)]  # fmt: skip
    line = Line("Density of the gas breathed", _up(exact, 1), "g/L", said, decimals=1)
    return DepthAnswer(keyed.at_depth(), (line,), keyed.warnings())


def _exposure(keyed: _Keyed) -> DepthAnswer:
    atm = keyed.oxygen_atm()
    lines = [Line("Oxygen breathed", _up(atm, 2), "ATA", decimals=2)]
    if atm > sea.HIGHEST_OXYGEN_ATM + _NOISE:
        past = replace(lines[0], note="past the end of the table: no time there is short enough")
        return DepthAnswer(keyed.at_depth(), (past,), keyed.warnings())
    limit = exposure_limit(atm)
    if limit is None:
        least = f"below {EXPOSURE_LIMITS[0].oxygen_atm} ATA the table sets no limit"
        return DepthAnswer(keyed.at_depth(), (replace(lines[0], note=least),), keyed.warnings())
    row = f"line of {limit.oxygen_atm:g} ATA"
    lines.append(Line("At most in one dive", limit.single_min, "minutes", row))
    lines.append(Line("At most in 24 hours", limit.day_min, "minutes", row))
    if keyed.minutes:
        share = math.ceil(share_of_single_limit(atm, keyed.minutes) * 100 - _NOISE)
        note = "more than one dive allows" if share > 100 else "of the limit for one dive"
        lines.append(Line(f"{keyed.minutes:g} minutes use up", share, "%", note))
    return DepthAnswer(keyed.at_depth(), tuple(lines), keyed.warnings())


def _depth_line(label: str, exact: float, unit: str) -> Line:
    return Line(label, _up(exact, 0), unit, f"{exact:.1f} {unit} by the formula")


def _thin(mix: Mix) -> tuple[str, ...]:
    if mix.oxygen_fraction >= _THIN_OXYGEN_FRACTION:
        return ()
    return (f"{mix.words()} is too thin in oxygen to be breathed at the surface.",)


def _up(value: float, decimals: int) -> float:
    return math.ceil(value * 10.0**decimals - _NOISE) / 10.0**decimals


def _down(value: float, decimals: int) -> float:
    return math.floor(value * 10.0**decimals + _NOISE) / 10.0**decimals


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:] + "."


_SUMS: Final[dict[AidName, Callable[[_Keyed], DepthAnswer]]] = {
    "mod": _mod, "best-mix": _best_mix, "ead": _ead, "end": _end, "density": _density, "exposure": _exposure,
}  # fmt: skip
