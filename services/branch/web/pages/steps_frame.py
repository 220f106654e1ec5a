"""One visit as its pages see it: who asks, what is known, the rail, the way back. Shows; never decides.

What a page offers is found by asking `decide` beforehand and throwing the answer away, so that no rule
of the domain is written down twice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Annotated
from uuid import UUID

from fastapi import Depends, Request
from starlette.responses import Response

import signage
from branch.desk import Outcome
from branch.node import Node
from branch.people import Session
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.asking import Posted, Trouble, record
from branch.web.pages.render import BOARD, go, names_of, render
from branch.web.pages.steps_rail import rail
from branch.web.pages.stop import stop_or_hold
from cylinder import commands as c
from cylinder.around import Around
from cylinder.decide import decide
from cylinder.facts import StepName
from cylinder.refusal import Reason, Refused
from cylinder.standing import Standing
from cylinder.visit import STAGES, STEPS, Visit
from signage import Stage

NOTHING = Posted()
LABELS = {
    "serial": "serial",
    "second_serial": "second reading",
    "maker": "maker's symbol",
    "spec": "type",
    "first_test": "first test",
    "requalified": "requalification stamp",
    "looked_inside": "inside look",
    "value": "pressure",
    "unit": "unit",
    "note": "note",
    "why": "reason",
    "o_ring": "O-ring",
    "is_blown_out": "blown out",
    "oxygen_percent": "oxygen",
    "helium_percent": "helium",
    "again_oxygen_percent": "oxygen, second reading",
    "again_helium_percent": "helium, second reading",
    "analyser": "analyser",
    "calibrated_min_ago": "calibrated at",
    "calibrated_in": "calibrated in",
    "key": "this form",
}


@dataclass(frozen=True)
class At:
    """Everything that a page of one visit looks at."""

    request: Request
    node: Node
    session: Session
    visit: Visit
    around: Around
    shops: Mapping[str, str]
    staff: Mapping[str, str]
    diver: str

    @property
    def here(self) -> str:
        """The address of the visit's page."""
        return f"/visits/{self.visit.id}"

    @property
    def standing(self) -> Standing | None:
        """What the network holds of the visit's cylinder."""
        return self.around.standing

    def looked_at_again(self) -> At:
        """The same visit as it is by now."""
        now = self.node.desk.visit(self.visit.id) or self.visit
        return replace(self, visit=now, around=self.node.desk.around(now, self.session.person.actor))

    def who(self, actor_id: str) -> str:
        """A staff member's working name."""
        return self.staff.get(actor_id, "Somebody")

    def shop(self, node: str) -> str:
        """A shop's name."""
        return self.shops.get(node, node)


def at_visit(visit_id: UUID, request: Request, node: TheNode, session: SignedIn) -> At:
    """The visit of the address. Raises Refused when this shop never had it."""
    visit = node.desk.visit(visit_id)
    if visit is None:
        raise Refused([Reason("visit.unknown", "There is no such visit here. Start again from the board.")])
    with node.store.reading() as cursor:
        names = names_of(node, cursor)
    card = node.divers.card(visit.diver_ref)
    return At(
        request=request,
        node=node,
        session=session,
        visit=visit,
        around=node.desk.around(visit, session.person.actor),
        shops=names.shops,
        staff=names.staff,
        diver=card.name if card else "",
    )


TheVisit = Annotated[At, Depends(at_visit)]


def page(
    at: At, template: str, *, trouble: Trouble | None = None, kept: Posted = NOTHING, **more: object
) -> Response:
    """A page of the visit: rail, stage bar, what was keyed before, and why it was not recorded."""
    title = f"Tag {at.visit.tag}, {at.diver}" if at.diver else f"Tag {at.visit.tag}"
    context: dict[str, object] = {
        "visit": at.visit,
        "here": at.here,
        "kept": kept,
        "rail": rail(at.visit, at.around, who=at.who, tz=at.node.settings.tz),
        "stage_list": stage_list(at.visit),
        "back_to": step_back(at),
        "trouble": trouble,
    }
    return render(
        at.request,
        f"steps/{template}.html",
        title=title,
        back=BOARD,
        stream=f"/stream?visit={at.visit.id}",
        status=trouble.status if trouble else 200,
        session=at.session,
        **{**context, **more},
    )


Again = Callable[[At, Trouble, Posted], Response]


def answer(at: At, form: Posted, make: Callable[[], c.Command], again: Again) -> Response:
    """Ask the desk. Recorded: on to the next question. Refused: the page that asked, with every reason."""
    outcome = record(at.node, at.session, make, LABELS)
    if isinstance(outcome, Outcome):
        return go(at.here)
    return not_recorded(at.looked_at_again(), outcome, form, again)


def not_recorded(at: At, trouble: Trouble, form: Posted, again: Again) -> Response:
    """The page for a refusal: somebody else was faster, the cylinder is stopped, or the same question again."""
    held = stopped(at)
    if held is not None:
        held.status_code = trouble.status
        return held
    if any(trouble.has(rule) for rule in ("visit.moved-on", "visit.order", "visit.closed")):
        return moved_on(at, trouble)
    return again(at, trouble, form)


def stopped(at: At) -> Response | None:
    """The stop or the hold, which come before any other page of a visit."""
    return stop_or_hold(at.request, at.node, at.session, at.visit)


def moved_on(at: At, trouble: Trouble | None = None) -> Response:
    """Somebody else answered meanwhile: who, when, and the way to see it as it is now."""
    who = at.who(at.visit.last_actor)
    is_me = at.visit.last_actor == at.session.person.actor.id
    return page(at, "moved_on", trouble=trouble, who=who, is_me=is_me, last_at=at.visit.last_at)


def asked(at: At, form: Posted, /, **answers: object) -> dict[str, object]:
    """The members of a visit's command: once-key, visit, the version that the page was made of."""
    return {"key": form.text("key"), "visit_id": at.visit.id, "version": form.maybe("version"), **answers}


def pressure_in(form: Posted, name: str, unit_name: str = "unit") -> dict[str, str]:
    """A pressure as keyed, for pydantic to judge; a comma is how many people write the point."""
    return {"value": form.text(name).replace(",", "."), "unit": form.text(unit_name)}


def month_in(form: Posted, name: str) -> str:
    """A stamped month of a month-and-year pad as "YYYY-MM". Raises Refused for what is no month at all."""
    month, year = form.text(f"{name}_month"), form.text(f"{name}_year")
    if not (month.isdecimal() and year.isdecimal() and len(month) <= 2 and len(year) == 4):
        words = "Key the month as it is stamped, 1 to 12, and the year in four figures."
        raise Refused([Reason(f"input.{name}", words, "input")])
    return f"{year}-{int(month):02d}"


def reasons_against(at: At, command: c.Command) -> tuple[Reason, ...]:
    """Why this would be refused now; empty when it would not. Nothing is recorded."""
    try:
        decide(at.visit, command, at.around)
    except Refused as refused:
        return refused.reasons
    return ()


def step_back(at: At) -> StepName | None:
    """The step whose answer Back takes back, if it can be taken back."""
    step = at.visit.step
    before = STEPS[: STEPS.index(step)] if step != "done" else ()
    answered = [one for one in before if not (one == "analyse" and at.visit.gas.is_air)]
    if not answered:
        return None
    reopen = c.Reopen(key=at.node.world.new_id(), visit_id=at.visit.id, step=answered[-1])
    return None if reasons_against(at, reopen) else answered[-1]


def stage_list(visit: Visit) -> tuple[Stage, ...]:
    """The stage bar; full once the cylinder waits for its diver."""
    if visit.step in ("hand_over", "done"):
        return tuple(Stage(name, tuple("done" for _ in steps)) for name, steps in STAGES)
    return signage.stages(STAGES, visit.step)
