"""After the fill: bleed, tape, set down, and then the next cylinder of the same diver."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter
from starlette.responses import Response

from branch.web.pages.asking import Form, Posted, Trouble
from branch.web.pages.fill_words import settles_words
from branch.web.pages.steps_analyse import depth_words
from branch.web.pages.steps_frame import NOTHING, At, TheVisit, answer, asked, page
from branch.web.pages.steps_rail import twin
from branch.web.pages.words import month
from cylinder import commands as c
from cylinder.decide.analyse import why_not_signed_for
from cylinder.decide.gates import STEP_WORDS
from cylinder.fill_plan import plan_of
from cylinder.visit import Visit

router = APIRouter()


@dataclass(frozen=True)
class Slot:
    """One place on the floor, and the tag that stands in it, if any."""

    number: int
    tag: int | None
    is_taped: bool = False


@dataclass(frozen=True)
class OtherOne:
    """Another cylinder of the same diver, and what it waits for."""

    href: str
    tag: int
    words: str
    is_full: bool


def show_bleed(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """Valves closed, whip bled, off."""
    return page(at, "bleed", trouble=trouble, measured=_measured(at.visit))


@router.post("/bleed")
def bleed(at: TheVisit, form: Form) -> Response:
    """Bled and off."""
    return answer(at, form, lambda: c.BleedWhip.model_validate(asked(at, form)), show_bleed)


def show_tape(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The tape: full, and nothing else means it."""
    return page(at, "tape", trouble=trouble, end=at.visit.completed.end if at.visit.completed else None)


@router.post("/tape")
def tape(at: TheVisit, form: Form) -> Response:
    """It is taped."""
    return answer(at, form, lambda: c.TapeValve.model_validate(asked(at, form)), show_tape)


def show_set_down(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The floor, slot by slot."""
    standing = {
        other.slot: other for other in at.around.open_visits if other.slot and other.id != at.visit.id
    }
    slots = tuple(
        Slot(number, other.tag, other.is_taped) if (other := standing.get(number)) else Slot(number, None)
        for number in range(1, at.around.policy.slots + 1)
    )
    return page(at, "set_down", trouble=trouble, slots=slots)


@router.post("/set_down")
def set_down(at: TheVisit, form: Form) -> Response:
    """Stand it there."""
    return answer(
        at, form, lambda: c.SetDownAt.model_validate(asked(at, form, slot=form.text("slot"))), show_set_down
    )


def show_full(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """Full and on the floor: what was done, and what this diver's other cylinders wait for."""
    visit = at.visit
    others = tuple(
        OtherOne(
            href=f"/visits/{other.id}",
            tag=other.tag,
            words="full" if other.step == "hand_over" else _waits_for(other),
            is_full=other.step == "hand_over",
        )
        for other in at.around.open_visits
        if other.id != visit.id and other.diver_ref == visit.diver_ref
    )
    must_sign = any(reason.rule_id == "hand-over.not-signed" for reason in why_not_signed_for(visit))
    return page(
        at, "full", trouble=trouble, others=others, facts=_facts(visit), end=_end(visit), must_sign=must_sign
    )


def show_left(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The visit is over."""
    return page(at, "left", trouble=trouble)


def _waits_for(visit: Visit) -> str:
    if visit.held is not None:
        return "on hold"
    return f"next: {STEP_WORDS[visit.step]}" if visit.step != "done" else ""


def _measured(visit: Visit) -> str:
    if visit.analysed is None:
        return ""
    helium = f", {visit.analysed.helium_percent:g} % helium" if visit.analysed.helium_percent else ""
    depth = depth_words(visit.analysed.oxygen_percent, visit.analysed.helium_percent)
    return f"Measured {visit.analysed.oxygen_percent:g} % oxygen{helium}." + (
        f" To {depth}." if depth else ""
    )


def _end(visit: Visit) -> tuple[str, str] | None:
    return (f"{visit.completed.end.value:g}", visit.completed.end.unit) if visit.completed else None


def _settled(visit: Visit) -> list[tuple[str, str]]:
    """What the warm gauge comes to: read, or else as it was planned."""
    plan, done, read = plan_of(visit), visit.completed, visit.settled
    if read is not None:
        return [("Settled", f"{read.settled.words} at {read.wall_c:.0f} °C, read")]
    if plan is None or done is None or plan.room_c is None:
        return []
    return [("Settles at 21 °C to", f"{settles_words(plan, done.target.pressure)} (estimate)")]


def _facts(visit: Visit) -> tuple[tuple[str, str], ...]:
    pairs: list[tuple[str, str]] = []
    if visit.completed is not None:
        pairs.append(("In the other unit", twin(visit.completed.end)))
        pairs.append(("Rated", visit.completed.rated.words))
        pairs += _settled(visit)
    pairs.append(("Gas", visit.gas_in_it.words))
    if visit.analysed is not None:
        pairs.append(("Analysis", _measured(visit)))
        pairs.append(("Signed by the diver", "yes" if visit.signed else "not yet"))
    if visit.dates is not None:
        pairs.append(("Requalified", month(visit.dates.requalified)))
        pairs.append(("Looked inside", month(visit.dates.looked_inside)))
    pairs.append(("Slot", str(visit.slot)))
    return tuple(pairs)
