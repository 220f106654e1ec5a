"""What refuses a blend that could be worked out: cleanliness, valve, rating, aluminium with oxygen, the blender's own paper.

Every reason at once. Pure; must never work a plan out, and never take for clean what nobody has said to be.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from cylinder.blends import as_wished, work_out
from cylinder.gases import VALVES_BAR, BlendQuestion, ValveKind
from cylinder.refusal import Reason, Refused, reason_of
from cylinder.way import Way
from gas.blend import CannotBlend
from gas.pressure import Pressure
from rulebook import (
    Finding,
    Pack,
    Paper,
    judge_filler,
    judge_oxygen_pressure,
    judge_oxygen_service,
    judge_target,
)


@dataclass(frozen=True, slots=True)
class Vessel:
    """The cylinder as it was read: its type as stamped, its valve, and whether both are clean for oxygen (None: not known)."""

    spec: str
    valve: ValveKind
    is_oxygen_clean: bool | None


@dataclass(frozen=True, slots=True)
class Blender:
    """Who blends: the last good day of their training to mix gas, None where nobody has seen one."""

    trained_until: dt.date | None
    today: dt.date

    @property
    def papers(self) -> tuple[Paper, ...]:
        """The same as the rulebook takes it."""
        return (Paper("mix training", self.trained_until),) if self.trained_until else ()


def judged(rules: Pack, question: BlendQuestion, vessel: Vessel, blender: Blender) -> Way:
    """The steps, outside of any visit. Raises Refused with every reason why they cannot, or must not, be taken."""
    way = work_out(question)
    flows = way if isinstance(way, Way) else as_wished(question)
    reasons = [] if isinstance(way, Way) else cannot(way)
    if flows is not None:
        reasons += against_blend(rules, question, flows, vessel, blender)
    if isinstance(way, CannotBlend) or reasons:
        raise Refused(reasons)
    return way


def cannot(found: CannotBlend) -> list[Reason]:
    """Why no steps lead to the wish, and the nearest mix that these gases do make."""
    reasons = [Reason("blend.cannot", words) for words in found.reasons]
    if found.nearest is not None:
        words = f"The nearest mix that these gases can make: {found.nearest.words()}."
        reasons.append(Reason("blend.nearest", words))
    return reasons


def against_blend(
    rules: Pack, question: BlendQuestion, way: Way, vessel: Vessel, blender: Blender
) -> tuple[Reason, ...]:
    """Every reason why these steps must not be taken; empty where there is none."""
    # Words name what is wanted where oxygen itself flows, and otherwise the richest gas that does.
    flows = way.mix if way.takes_pure_oxygen else way.richest
    findings = [
        *judge_target(rules, question.limit.pressure, question.end.pressure),
        *judge_oxygen_service(
            rules,
            flows,
            is_oxygen_clean=vessel.is_oxygen_clean,
            oxygen_goes_in_pure=way.takes_pure_oxygen,
        ),
        *_of_the_metal(rules, way, vessel.spec),
        *judge_filler(rules, way.mix, blender.papers, blender.today),
    ]
    reasons = [reason_of(one) for one in findings if one.bearing != "tell"]
    return tuple(dict.fromkeys([*reasons, *_of_the_valve(question, vessel.valve)]))


def _of_the_metal(rules: Pack, way: Way, spec: str) -> Iterator[Finding]:
    """Oxygen itself in aluminium: at every step that adds it, and at the end."""
    for step in way.steps:
        if step.does == "add":
            yield from judge_oxygen_pressure(rules, spec, step.mix, step.until)
    yield from judge_oxygen_pressure(rules, spec, way.mix, way.settles_to)


def _of_the_valve(question: BlendQuestion, valve: ValveKind) -> Iterator[Reason]:
    highest = Pressure(VALVES_BAR[valve], "bar")
    if question.end.pressure.is_above(highest):
        yield Reason(
            "blend.valve",
            f"{question.end.words} is above what this valve is made for: {highest.words_in_both()}.",
            source="EN 144-2, ISO 12209 (from memory)",
        )
