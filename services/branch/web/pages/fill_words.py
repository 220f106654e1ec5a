"""A fill plan in words: the gauge to stop at, and beside each estimate that it is one, and how sure. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from branch.fill_memory import Settling
from cylinder.facts import FillPlanned
from cylinder.fill_plan import COLDEST_ASSUMED
from gas.pressure import Pressure, Unit
from gas.quantity import Temperature, in_unit


@dataclass(frozen=True)
class PlanShown:
    """What a person reads before and during a fill."""

    stop: str
    stop_twin: str
    rows: tuple[tuple[str, str], ...]
    sure: str
    is_cautious: bool
    remarks: tuple[str, ...] = ()


def plan_shown(
    plan: FillPlanned, target: Pressure, settling: Settling | None, remarks: tuple[str, ...] = ()
) -> PlanShown:
    """The plan in the unit of its target."""
    unit, stop = target.unit, plan.stop.pressure
    return PlanShown(
        stop=stop.words(),
        stop_twin=_twin(stop),
        rows=tuple(_rows(plan, target, unit)),
        sure=_sure(plan, settling, unit),
        is_cautious=plan.rise_kelvin is None,
        remarks=remarks,
    )


def rate_words(bar_per_min: float, unit: Unit) -> str:
    """ "290 psi a minute", "20 bar a minute"."""
    rate = in_unit(Pressure(bar_per_min, "bar"), unit).value
    return f"{round(rate, -1):.0f} psi a minute" if unit == "psi" else f"{rate:.3g} bar a minute"


def settling_words(settling: Settling | None, unit: Unit) -> str:
    """ "This shop's last 12 fills settled 3 bar lower than estimated (half of them within 1 bar of that)."; empty below three."""
    if settling is None:
        return ""
    off = in_unit(Pressure(abs(settling.lower_bar), "bar"), unit)
    spread = in_unit(Pressure(settling.spread_bar, "bar"), unit)
    which = "lower" if settling.lower_bar > 0 else "higher"
    said = (
        "as estimated" if abs(settling.lower_bar) < 0.5 else f"{off.value:.0f} {unit} {which} than estimated"
    )
    return (
        f"This shop's last {settling.fills} settled fills came out {said} "
        f"(half of them within {max(1.0, spread.value):.0f} {unit} of that)."
    )


def settles_words(plan: FillPlanned, target: Pressure) -> str:
    """What the plan comes to once it has cooled, in the unit of its target."""
    if plan.settles_to_bar is None or plan.settles_within_bar is None:
        return f"{target.words()} at the most; how much less is not known"
    within = _round(plan.settles_within_bar, target.unit)
    return f"about {_round(plan.settles_to_bar, target.unit)}, give or take {within}"


def degrees(kelvin: float) -> str:
    """A difference in temperature in both scales."""
    return f"{kelvin:.0f} °C ({kelvin * 1.8:.0f} °F)"


def _rows(plan: FillPlanned, target: Pressure, unit: Unit) -> list[tuple[str, str]]:
    rows = []
    rise, room = plan.rise_kelvin, plan.room_c
    if rise is not None and room is not None and plan.rise_within_kelvin is not None:
        rows.append(("Warms by", f"about {degrees(rise)}, give or take {degrees(plan.rise_within_kelvin)}"))
        rows.append(("Gas by then", f"about {Temperature.of_c(room + rise).words()}"))
    rows.append(("Settles at 21 °C (70 °F) to", settles_words(plan, target)))
    rows.append(
        ("Takes", f"about {max(1, round(plan.minutes))} min at {rate_words(plan.rate_bar_per_min, unit)}")
    )
    if plan.top_off is not None and room is not None:
        at = Temperature.of_c(room).words()
        rows.append(("Top off", f"up to {plan.top_off.words}, once it has cooled to {at}"))
    return rows


def _round(bar: float, unit: Unit) -> str:
    """To a mark of a gauge: an estimate is no finer."""
    return (
        f"{max(10.0, round(Pressure(bar, 'bar').psi, -1)):.0f} psi"
        if unit == "psi"
        else f"{max(1.0, bar):.0f} bar"
    )


def _sure(plan: FillPlanned, settling: Settling | None, unit: Unit) -> str:
    if plan.room_c is None:
        return (
            f"No temperature was read, so this is the cautious plan: gas as cold as {COLDEST_ASSUMED.words()}, no warmth counted. "
            "Key the temperature to fill further."
        )
    if plan.rise_kelvin is None:
        return "The size is not known, so this is the cautious plan: gas as cold as the room, no warmth from the fill counted."
    if plan.learnt_from:
        return f"Estimates by a heat model, corrected here. {settling_words(settling, unit)}".strip()
    return "Estimates by a heat model that was never checked against a measured fill."


def _twin(pressure: Pressure) -> str:
    twin = pressure.twin()
    return f"{twin.value:.0f} {twin.unit}"
