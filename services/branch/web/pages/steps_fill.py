"""The fill: target, readings, the end. Rates and times on these pages are estimates and say so."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor

from fastapi import APIRouter
from starlette.responses import Response

from branch.web.pages.asking import Form, Posted, Trouble
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
from cylinder.decide.connect import people_out_reasons
from cylinder.marks import KeyedPressure
from cylinder.visit import Visit
from gas.pressure import Pressure, Unit

router = APIRouter()

PARTS = (100, 90, 75)
"""The presets of a target, in percent of the rating that was just read."""

_STEP = {"psi": 50, "bar": 5}
"""Presets below the rating are rounded down to figures that a gauge has."""


SHORTEST_FOR_RATE_MIN = 20 / 60
"""Two readings nearer to each other than this say more about the hand on the gauge than about the compressor. Our choice."""


@dataclass(frozen=True)
class Preset:
    """A target that one tap keys: at most the rating."""

    value: str
    words: str


@dataclass(frozen=True)
class Gauge:
    """How a fill stands, as last keyed, in the unit of its target."""

    value: str
    unit: Unit
    twin: str
    part: float
    forecast: str
    points: tuple[tuple[float, float], ...]
    rows: tuple[tuple[str, str], ...]
    above: str


def show_target(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """Up to the rating that was read in this visit, never above."""
    rated = at.visit.rating.rated if at.visit.rating else None
    asked_for = at.request.query_params.get("target", "")
    if trouble is None and rated is not None and asked_for in {one.value for one in presets(rated)}:
        form = Posted((("target", asked_for), ("unit", rated.unit)))
    return page(
        at,
        "target",
        trouble=trouble,
        kept=form,
        presets=presets(rated) if rated else (),
        rated=rated,
        is_area_open=bool(people_out_reasons(at.around)),
    )


def presets(rated: KeyedPressure) -> tuple[Preset, ...]:
    """The rating and parts of it, rounded down."""
    step = _STEP[rated.unit]
    lower = [floor(rated.value * part / 100 / step) * step for part in PARTS[1:]]
    made = [Preset(f"{rated.value:g}", "the rating")]
    made += [
        Preset(str(value), f"{part} %") for value, part in zip(lower, PARTS[1:], strict=True) if value > 0
    ]
    return tuple(made)


@router.post("/target")
def authorise(at: TheVisit, form: Form) -> Response:
    """Start the fill."""
    return answer(
        at,
        form,
        lambda: c.Authorise.model_validate(asked(at, form, target=pressure_in(form, "target"))),
        show_target,
    )


def show_fill(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The cylinder, the last reading, the curve."""
    if trouble is not None:
        return _gauge_page(at, form.text("page") or "reading", trouble, form)
    return page(at, "fill", gauge=gauge(at.visit, at), target=_target(at.visit))


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
    """Record what the gauge shows and what it is said to be."""
    form = Posted((*form.pairs, ("page", what if what in ("reached", "stop") else "reading")))
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


def gauge(visit: Visit, at: At) -> Gauge:
    """The readings of this fill, made comparable, and where they are going at the last rate."""
    target = _target(visit)
    unit: Unit = target.unit
    times = [reading.at for reading in visit.readings]
    values = [_in(reading.pressure.pressure, unit) for reading in visit.readings] or [0.0]
    minutes = [(each - times[0]).total_seconds() / 60 for each in times] or [0.0]
    points = tuple(zip(minutes, values, strict=True))
    last = visit.readings[-1].pressure if visit.readings else KeyedPressure(value=0, unit=unit)
    rated = visit.rating.rated if visit.rating else target
    zone = at.node.settings.tz
    return Gauge(
        value=f"{last.value:g}",
        unit=last.unit,
        twin=twin(last),
        part=values[-1] / target.value if target.value else 0.0,
        forecast=forecast(points, target),
        points=points,
        rows=tuple((f"{one.at.astimezone(zone):%H:%M:%S}", one.pressure.words) for one in visit.readings),
        above=last.words if last.pressure.is_above(rated.pressure) else "",
    )


def forecast(points: tuple[tuple[float, float], ...], target: KeyedPressure) -> str:
    """Rate and time to go, marked as an estimate; empty when the readings do not tell.

    From the last reading back to the nearest one that lies far enough before it.
    """
    if len(points) < 2:
        return "Key a reading to see the rate."
    last, high = points[-1]
    earlier = [point for point in points[:-1] if last - point[0] >= SHORTEST_FOR_RATE_MIN]
    if not earlier or high <= earlier[-1][1]:
        return ""
    before, low = earlier[-1]
    rate = (high - low) / (last - before)
    rate_words = f"{rate:.0f} {target.unit} a minute"
    if high >= target.value:
        return f"At {rate_words} (estimate)."
    return f"About {max(1, ceil((target.value - high) / rate))} min to go at {rate_words} (estimate)."


def _gauge_page(at: At, what: str, trouble: Trouble | None, form: Posted) -> Response:
    return page(
        at, f"fill_{what}", trouble=trouble, kept=form, target=_target(at.visit), rated=at.visit.rating
    )


def _target(visit: Visit) -> KeyedPressure:
    return visit.authorised.target if visit.authorised else KeyedPressure(value=0, unit="psi")


def _in(pressure: Pressure, unit: Unit) -> float:
    return pressure.psi if unit == "psi" else pressure.bar
