"""The fill: readings, what they say beside the plan, the end. Rates and times on these pages are estimates and say so."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from zoneinfo import ZoneInfo

from fastapi import APIRouter
from starlette.responses import Response

from branch import fill_memory
from branch.node import Node
from branch.web.pages.asking import Form, Posted, Trouble
from branch.web.pages.fill_words import PlanShown, plan_shown, rate_words
from branch.web.pages.render import piece
from branch.web.pages.steps_frame import (
    NOTHING,
    At,
    TheVisit,
    answer,
    asked,
    moved_on,
    page,
    pressure_in,
    stopped,
)
from branch.web.pages.steps_rail import twin
from cylinder import commands as c
from cylinder.around import HousePolicy
from cylinder.fill_plan import most_on_gauge, plan_of, rates
from cylinder.marks import KeyedPressure
from cylinder.visit import Visit
from gas.pressure import Pressure, Unit
from gas.watch import Reading, Remark, watch
from signage.chart import SHORTEST_FOR_RATE_MIN, rate_over

__all__ = ["SHORTEST_FOR_RATE_MIN", "Gauge", "forecast", "gauge", "live", "router", "show_fill"]

router = APIRouter()

LIVE = "fill-live"
"""The part of the page that follows the gauge while a fill runs."""


@dataclass(frozen=True)
class Gauge:
    """How a fill stands, as last read, in the unit of its target. `stop` is the gauge to stop at, or the target without a plan."""

    value: str
    unit: Unit
    twin: str
    part: float
    stop: KeyedPressure
    forecast: str
    points: tuple[tuple[float, float], ...]
    plan: tuple[tuple[float, float], ...]
    rows: tuple[tuple[str, str], ...]
    above: str
    is_far_above: bool
    is_reached: bool
    remarks: tuple[str, ...]
    is_leaking: bool


def show_fill(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The cylinder, the last reading, the curve beside the plan."""
    if trouble is not None:
        return _gauge_page(at, form.text("page") or "reading", trouble, form)
    shown = _shown(at.node, at.visit)
    return page(at, "fill", gauge=shown.gauge, target=shown.target, plan=shown.plan)


@router.get("/fill/{what}")
def key_gauge(what: str, at: TheVisit) -> Response:
    """The pad for a reading, the end of the fill, or stopping it, which no stop forbids."""
    held = stopped(at)
    if held is not None and what != "stop":
        return held
    if not at.visit.is_filling or what not in ("reading", "reached", "stop"):
        return held or moved_on(at)
    return _gauge_page(at, what, None, NOTHING)


@router.post("/fill/{what}")
def keyed_gauge(what: str, at: TheVisit, form: Form) -> Response:
    """Record what the gauge shows and what it is said to be.

    An end goes without the version that the page was made of: a gauge that streams its readings would make every page
    too old, and a fill must be ended all the same. Whether it still runs, the decision looks at.
    """
    is_end = what in ("reached", "stop")
    kept = (pair for pair in form.pairs if not (is_end and pair[0] == "version"))
    form = Posted((*kept, ("page", what if is_end else "reading")))
    shown = pressure_in(form, "gauge")

    def make() -> c.TakeReading | c.CompleteFill | c.StopFill:
        match what:
            case "reached":
                return c.CompleteFill.model_validate(asked(at, form, end=shown))
            case "stop":
                at_gauge = shown if form.has("gauge") else None
                return c.StopFill.model_validate(asked(at, form, why=form.text("why"), at=at_gauge))
            case _:
                return c.TakeReading.model_validate(asked(at, form, reading=shown))

    return answer(at, form, make, show_fill)


def live(node: Node, visit: Visit) -> dict[str, str]:
    """The part of an open page that follows the gauge, by the element that shows it."""
    shown = _shown(node, visit)
    html = piece("steps/fill_live.html", gauge=shown.gauge, target=shown.target, plan=shown.plan, visit=visit)
    return {LIVE: html}


def gauge(visit: Visit, *, policy: HousePolicy, tz: ZoneInfo) -> Gauge:
    """The readings of this fill, made comparable, what they say, and where they are going at the last rate."""
    target, plan = _target(visit), plan_of(visit)
    unit: Unit = target.unit
    stop = plan.stop if plan is not None else target
    points = _points(visit, unit)
    last = visit.readings[-1].pressure if visit.readings else KeyedPressure(value=0, unit=unit)
    most = most_on_gauge(visit) or target.pressure
    remarks = _remarks(visit, policy)
    return Gauge(
        value=f"{last.value:g}",
        unit=last.unit,
        twin=twin(last),
        part=points[-1][1] / stop.value if stop.value else 0.0,
        stop=stop,
        forecast=forecast(points, stop),
        points=points,
        plan=() if plan is None else (points[0], (plan.minutes, plan.stop.value)),
        rows=tuple((f"{one.at.astimezone(tz):%H:%M:%S}", one.pressure.words) for one in visit.readings),
        above=last.words if last.pressure.is_above(most) else "",
        is_far_above=last.pressure.is_above(Pressure(most.bar * 1.1, "bar")),
        is_reached=not last.pressure.is_above(most) and not last.pressure.is_below(stop.pressure),
        remarks=tuple(words for _, words in remarks),
        is_leaking=any(kind == "leaking" for kind, _ in remarks),
    )


def forecast(points: tuple[tuple[float, float], ...], stop: KeyedPressure) -> str:
    """Rate and time to go, marked as an estimate; empty when the readings do not tell."""
    if len(points) < 2:
        return "Key a reading to see the rate."
    rate = rate_over(points)
    if rate is None:
        return ""
    high, rate_words = points[-1][1], f"{rate:.0f} {stop.unit} a minute"
    if high >= stop.value:
        return f"At {rate_words} (estimate)."
    return f"About {max(1, ceil((stop.value - high) / rate))} min to go at {rate_words} (estimate)."


@dataclass(frozen=True)
class _Shown:
    gauge: Gauge
    target: KeyedPressure
    plan: PlanShown | None


def _shown(node: Node, visit: Visit) -> _Shown:
    target, plan = _target(visit), plan_of(visit)
    shown: PlanShown | None = None
    if plan is not None:
        with node.store.reading() as cursor:
            settling = fill_memory.settling(fill_memory.settled_fills(cursor, node.settings.node))
        shown = plan_shown(plan, target.pressure, settling)
    found = gauge(visit, policy=node.settings.policy, tz=node.settings.tz)
    return _Shown(found, target, shown)


def _points(visit: Visit, unit: Unit) -> tuple[tuple[float, float], ...]:
    if not visit.readings:
        return ((0.0, 0.0),)
    began = visit.readings[0].at
    return tuple(
        ((one.at - began).total_seconds() / 60, _in(one.pressure.pressure, unit)) for one in visit.readings
    )


def _remarks(visit: Visit, policy: HousePolicy) -> tuple[tuple[str, str], ...]:
    """What the last reading says beside those before it. Of two at the same moment the later one counts."""
    if not visit.readings:
        return ()
    began = visit.readings[0].at
    at = {(one.at - began).total_seconds() / 60: one.pressure.pressure for one in visit.readings}
    readings = [Reading(minute, at[minute]) for minute in sorted(at)]
    _, most = rates(visit.gas, policy)
    unit = _target(visit).unit
    now = [remark for remark in watch(readings, most) if remark.minute == readings[-1].minute]
    return tuple((remark.kind, _in_words(remark, most, unit)) for remark in now)


def _in_words(remark: Remark, most: float, unit: Unit) -> str:
    if remark.bar_per_min is None:
        return remark.words
    return f"{rate_words(remark.bar_per_min, unit)} is faster than the {rate_words(most, unit)} of the shop's policy."


def _gauge_page(at: At, what: str, trouble: Trouble | None, form: Posted) -> Response:
    plan = plan_of(at.visit)
    return page(
        at, f"fill_{what}", trouble=trouble, kept=form, target=_target(at.visit), rated=at.visit.rating,
        stop=_target(at.visit) if plan is None else plan.stop,
    )  # fmt: skip


def _target(visit: Visit) -> KeyedPressure:
    return visit.authorised.target if visit.authorised else KeyedPressure(value=0, unit="psi")


def _in(pressure: Pressure, unit: Unit) -> float:
    return pressure.psi if unit == "psi" else pressure.bar
