"""Whether a cylinder is clean for oxygen service: a pure function of its history and a day.

Clean needs proof for both the cylinder and its valve. It is over with the first fill of gas that nobody said is fit, with
a look inside after which it was not cleaned again, on the day after its last day, or when anybody says so.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final
from uuid import UUID

from cylinder.clearing import INSPECTING
from cylinder.facts import (
    FillAborted,
    FillAuthorised,
    FillCompleted,
    GasFitForOxygen,
    OxygenCleaned,
    OxygenServiceEnded,
    Requalified,
    VisitFact,
    VisualFailed,
    VisualPassed,
)
from cylinder.proof import Proof
from cylinder.recorded import Recorded, cylinder_subject
from cylinder.standing import Standing
from rulebook import months_after

_FILLS: Final = frozenset({FillAuthorised.KIND, FillCompleted.KIND, FillAborted.KIND})
_INSIDE: Final = frozenset({VisualPassed.KIND, VisualFailed.KIND, Requalified.KIND})
"""After these the inside was open to a lamp, to water or to a hand."""

FILLING: Final = frozenset({"operator", "inspector", "manager"})
OXYGEN_KINDS: Final = frozenset(
    {OxygenCleaned.KIND, OxygenServiceEnded.KIND, GasFitForOxygen.KIND} | _FILLS | _INSIDE
)
"""The facts that this question looks at."""


@dataclass(frozen=True, slots=True)
class OxygenService:
    """The answer, and why. `until` is the last day on which it holds if nothing happens before."""

    is_clean: bool
    words: str
    until: dt.date | None = None
    fit_visits: frozenset[UUID] = frozenset()
    """The visits of which somebody said, before gas flowed, that all of it is fit for oxygen service."""


def oxygen_service_of(
    history: Iterable[Recorded],
    today: dt.date,
    *,
    standing: Standing,
    credentials: Iterable[Recorded],
    months: int,
) -> OxygenService:
    """The answer for every record of this cylinder: the worst of them. `months` is this shop's longest period.

    `history` are the facts of all its records, in any order; `credentials` those about the people and keys behind them.
    """
    facts = tuple(dict.fromkeys(history))
    proof = Proof(credentials, contested=_contested(facts))
    answers = []
    for record in (standing.cylinder_id, *standing.linked):
        subject = cylinder_subject(record)
        cleanings = [one for one in facts if one.subject == subject and _counts(one, standing, proof)]
        answers.append(_of_record(cleanings, facts, today, proof, months))
    worst = min(answers, key=lambda one: (one.is_clean, one.until or dt.date.min))
    fit = frozenset(visit for one in facts if (visit := _visit_said_fit(one, proof)) is not None)
    return replace(worst, fit_visits=fit)


def last_day(cleaned_on: dt.date, stated: dt.date, months: int) -> dt.date:
    """The earlier of the day stated and this shop's own period (common practice, no source)."""
    return min(stated, months_after(cleaned_on, months))


def _of_record(
    cleanings: Sequence[Recorded], facts: Sequence[Recorded], today: dt.date, proof: Proof, months: int
) -> OxygenService:
    answers = [
        _of_part(part, [one for one in cleanings if _covers(one, part)], facts, today, proof, months)
        for part in ("cylinder", "valve")
    ]
    return min(answers, key=lambda one: (one.is_clean, one.until or dt.date.min))


def _of_part(
    part: str,
    cleanings: Sequence[Recorded],
    facts: Sequence[Recorded],
    today: dt.date,
    proof: Proof,
    months: int,
) -> OxygenService:
    if not cleanings:
        return OxygenService(False, f"Nobody has recorded that its {part} was cleaned for oxygen service.")
    answers = [_of_cleaning(part, one, facts, today, proof, months) for one in cleanings]
    return max(answers, key=lambda one: (one.is_clean, one.until or dt.date.min))


def _of_cleaning(
    part: str, cleaning: Recorded, facts: Sequence[Recorded], today: dt.date, proof: Proof, months: int
) -> OxygenService:
    assert isinstance(cleaning.fact, OxygenCleaned)
    on = cleaning.performed_on
    until = last_day(on, cleaning.fact.until, months)
    cleaned = f"Its {part} was cleaned for oxygen service on {_day(on)}"
    if on > today:
        return OxygenService(False, f"{cleaned}, which lies ahead of today.", until)
    why = next(_ended_by(part, cleaning, facts, proof), "")
    if why:
        return OxygenService(False, f"{cleaned}; that is over: {why}.", until)
    if today > until:
        return OxygenService(False, f"{cleaned}; that was good to {_day(until)}.", until)
    return OxygenService(True, f"{cleaned}, {cleaning.fact.procedure}; good to {_day(until)}.", until)


def _ended_by(part: str, cleaning: Recorded, facts: Sequence[Recorded], proof: Proof) -> Iterator[str]:
    fit = {(one.node, visit) for one in facts if (visit := _visit_said_fit(one, proof)) is not None}
    for one in facts:
        if _is_before(one, cleaning):
            continue
        if one.kind in _FILLS:
            visit = one.fact.visit_id if isinstance(one.fact, VisitFact) else None
            if visit is None or (one.node, visit) not in fit:
                yield f"filled on {_day(one.performed_on)} with gas that nobody said is fit for it"
        elif one.kind in _INSIDE and part == "cylinder":
            yield f"looked into on {_day(one.performed_on)} and not cleaned since"
        elif one.kind == OxygenServiceEnded.KIND:
            said = one.fact.why if isinstance(one.fact, OxygenServiceEnded) else "it was said to be over"
            yield f"{said}, {_day(one.performed_on)}"


def _counts(one: Recorded, standing: Standing, proof: Proof) -> bool:
    """A cleaning by an inspector whose word counts, on a record that is this cylinder by links that still hold."""
    return (
        isinstance(one.fact, OxygenCleaned)
        and proof.is_good(one, INSPECTING)
        and set(one.fact.links) <= set(standing.links)
    )


def _visit_said_fit(one: Recorded, proof: Proof) -> UUID | None:
    if isinstance(one.fact, GasFitForOxygen) and proof.is_good(one, FILLING):
        return one.fact.visit_id
    return None


def _covers(one: Recorded, part: str) -> bool:
    return isinstance(one.fact, OxygenCleaned) and part in one.fact.parts


def _is_before(one: Recorded, cleaning: Recorded) -> bool:
    """Surely before the cleaning: on an earlier day, or of the same day and earlier in the same node's log."""
    if one.performed_on != cleaning.performed_on:
        return one.performed_on < cleaning.performed_on
    at, then = one.origin, cleaning.origin
    return at.node == then.node and at.inc == then.inc and at.seq < then.seq


def _contested(facts: Sequence[Recorded]) -> frozenset[UUID]:
    """The ids that were given to more than one content: none of them is good news."""
    first: dict[UUID, Recorded] = {}
    return frozenset(one.id for one in facts if not first.setdefault(one.id, one).says_the_same_as(one))


def _day(day: dt.date) -> str:
    return f"{day.day} {day:%B %Y}"
