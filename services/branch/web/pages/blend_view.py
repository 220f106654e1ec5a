"""A worked-out blend as a page shows it: figures in both units, each with its temperature. Pure; decides nothing."""

from __future__ import annotations

from dataclasses import dataclass

from cylinder.gases import BlendQuestion
from cylinder.way import Step, Way, keyed
from gas.pressure import Pressure

FINE_STEP_BAR = 3.0
"""A rise of less than this is hard to see on a common gauge. Common practice, no source."""

CAUTIONS = (
    "Oxygen under pressure feeds fire: only cleaned parts, no oil, no grease, no dust. Open every valve slowly.",
    "Add oxygen no faster than about 4 bar (60 psi) a minute (common practice, no source).",
    "Every mix is analysed before use, by the diver too. These gauges are a plan; the analysis decides.",
    "Local codes, licensed practice and your training come before this page.",
)


@dataclass(frozen=True)
class StepView:
    """One step: what to do, the gauge to stop at, and beside it what an ideal gas would show."""

    does: str
    gas: str
    holds: str
    value: str
    unit: str
    twin: str
    at: str
    litres: str
    cost: str
    ideal: str


@dataclass(frozen=True)
class PlanView:
    """All steps, what comes of them, and what to beware of."""

    steps: tuple[StepView, ...]
    predicted: str
    settles: str
    cost: str
    shares: tuple[tuple[str, str], ...]
    ideal_makes: str
    cautions: tuple[str, ...]


def plan_view(question: BlendQuestion, way: Way) -> PlanView:
    """The plan in words and figures."""
    return PlanView(
        steps=tuple(step_view(step) for step in way.steps),
        predicted=way.predicted,
        settles=way.settles_to.words_in_both(),
        cost=money(way.cost),
        shares=tuple((name, f"{share:.1%}") for name, share in way.shares),
        ideal_makes=way.ideal_makes.words() if way.ideal_makes else "",
        cautions=(*way.cautions, *_fine_steps(question, way)),
    )


def step_view(step: Step) -> StepView:
    """One step. A gauge to fill to is rounded down, one to bleed to as well: never more gas than planned."""
    shown = keyed(step.until).pressure
    return StepView(
        does=step.does,
        gas=step.gas,
        holds=step.mix.words(),
        value=f"{shown.value:g}",
        unit=shown.unit,
        twin=twin_words(shown),
        at=step.at.words(),
        litres=f"{step.free_litre:.0f} litres",
        cost=money(step.cost),
        ideal=step.ideal.words() if step.ideal else "",
    )


def twin_words(pressure: Pressure) -> str:
    """The same in the other unit, rounded for reading."""
    other = pressure.twin()
    return f"{other.value:.0f} {other.unit}"


def money(amount: float) -> str:
    """In the shop's money; the shop knows which."""
    return f"{amount:.2f}"


def _fine_steps(question: BlendQuestion, way: Way) -> tuple[str, ...]:
    before, found = question.read.pressure.bar, []
    for step in way.steps:
        if 0 < step.until.bar - before < FINE_STEP_BAR:
            rise = f"{step.until.bar - before:.1f} bar"
            found.append(f"{step.gas} rises the gauge by only {rise}: take a gauge with fine marks.")
        before = step.until.bar
    return tuple(found)
