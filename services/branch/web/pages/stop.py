"""The stop and the hold: the only page of a cylinder that must not be filled, whatever was asked for.

`stop_or_hold` comes first on every page of a visit. The ways out of a stop are the red rack and, before gas has flowed,
a serial that was misread; out of a hold, the finding of somebody with the authority. No page has another.
"""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from branch import against
from branch.desk import Outcome
from branch.floor import against as stopped
from branch.node import Node
from branch.people import Person, Session
from branch.store.rows import facts_that_matter, standing_row
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.asking import Form, Posted, Trouble, record, uuid_or_none
from branch.web.pages.render import go, names_of, render
from cylinder import commands as c
from cylinder.decide import decide
from cylinder.decide.gates import STEP_WORDS
from cylinder.decide.mix import analysis_off, qualified_reasons
from cylinder.recorded import cylinder_subject, derived_id
from cylinder.refusal import Reason, Refused
from cylinder.standing import Block, Standing
from cylinder.visit import STEPS, Visit

router = APIRouter(include_in_schema=False)
_FINDING = {"finding": "what was found"}


def stop_or_hold(
    request: Request,
    node: Node,
    session: Session,
    visit: Visit,
    *,
    trouble: Trouble | None = None,
    kept: Posted | None = None,
) -> Response | None:
    """The stop page, the hold page, or None where nothing is held against this visit or its cylinder."""
    if not visit.is_open:
        return None
    with node.store.reading() as cursor:
        standing = standing_row(cursor, visit.cylinder_id) if visit.cylinder_id else None
    match stopped(visit, standing):
        case "stop" if standing is not None:
            return _stop(request, node, session, visit, standing, trouble)
        case "hold":
            return _hold(request, node, session, visit, standing, trouble, kept or Posted())
        case _:
            return None


def _visit(visit_id: UUID, node: TheNode) -> Visit:
    visit = node.desk.visit(visit_id)
    if visit is None:
        raise Refused([Reason("visit.unknown", "There is no such visit here. Start again from the board.")])
    return visit


TheVisit = Annotated[Visit, Depends(_visit)]


@router.post("/visits/{visit_id}/stop")
def leave_stop(request: Request, node: TheNode, session: SignedIn, visit: TheVisit, form: Form) -> Response:
    """What a stop or hold page offers: make it safe, put it away, read it again, go on."""
    key, version = form.text("key"), form.text("version") or None
    asked = {"key": key, "visit_id": visit.id, "version": version}
    to = f"/visits/{visit.id}"
    done: Outcome | Trouble
    match form.text("do"):
        case "stop-fill":
            why = form.text("why") or "Do not fill"
            done = record(node, session, lambda: c.StopFill.model_validate({**asked, "why": why}))
        case "bleed":
            done = record(node, session, lambda: c.BleedWhip.model_validate(asked))
        case "rack":
            done, to = record(node, session, lambda: c.RackIt.model_validate(asked)), "/"
        case "misread" if may_be_misread(visit):
            step = {"step": "identify", "why": "Serial misread"}
            done = record(node, session, lambda: c.Reopen.model_validate({**asked, **step}))
        case "reopen":
            step = {"step": form.text("step"), "why": form.text("why")}
            done = record(node, session, lambda: c.Reopen.model_validate({**asked, **step}))
        case "take":
            said = {"finding": form.text("finding")}
            done = record(node, session, lambda: c.TakeAsMeasured.model_validate({**asked, **said}), _FINDING)
        case "leave":
            why = form.text("why")
            done, to = (
                record(
                    node,
                    session,
                    lambda: c.Abandon.model_validate({**asked, "why": why}),
                    {"why": "why it leaves"},
                ),
                "/",
            )
        case "finding":
            done = _answer_holds(node, session, visit, form)
        case _:
            done = Trouble((Reason("stop.what", "Choose what to do with it."),), 422)
    if isinstance(done, Outcome):
        return go(to)
    now = node.desk.visit(visit.id) or visit
    page = stop_or_hold(request, node, session, now, trouble=done, kept=form)
    if page is None:
        raise Refused(done.reasons)
    return page


def _answer_holds(node: Node, session: Session, visit: Visit, form: Posted) -> Outcome | Trouble:
    """One finding for every hold on the cylinder, each answered by name, and for the visit's own."""
    key = uuid_or_none(form.text("key"))
    if key is None:
        return Trouble((Reason("input.key", "This form is not whole. Open the page again.", "input"),), 422)
    with node.store.reading() as cursor:
        standing = standing_row(cursor, visit.cylinder_id) if visit.cylinder_id else None
    done: Outcome | Trouble = Trouble((Reason("visit.not-held", f"Tag {visit.tag} is not on hold."),))
    # The holds that this visit placed are lifted together with its own.
    others = [
        block
        for block in (standing.blocks if standing else ())
        if visit.held is None or block.visit_id != visit.id
    ]
    for block in others:
        done = _release(node, session, visit, block, derived_id(key, f"release {block.id}"), form)
        if isinstance(done, Trouble):
            return done
    if visit.held is None:
        return done
    asked = {"key": key, "visit_id": visit.id, "finding": form.text("finding")}
    return record(node, session, lambda: c.Resume.model_validate(asked), _FINDING)


def _release(
    node: Node, session: Session, visit: Visit, block: Block, key: UUID, form: Posted
) -> Outcome | Trouble:
    asked = {
        "key": key,
        "cylinder_id": visit.cylinder_id,
        "block_id": block.id,
        "finding": form.text("finding"),
    }
    return record(node, session, lambda: c.ReleaseHold.model_validate(asked), _FINDING)


def _stop(
    request: Request, node: Node, session: Session, visit: Visit, standing: Standing, trouble: Trouble | None
) -> Response:
    with node.store.reading() as cursor:
        names = names_of(node, cursor)
        facts = facts_that_matter(cursor, cylinder_subject(standing.cylinder_id))
    news_age = node.desk.around(visit, session.person.actor).news_age
    worst, others = standing.blocks[0], standing.blocks[1:]
    lines = [*against.block_lines(worst, names, node.settings.tz)]
    how = against.how_we_know(
        worst, visit, against.claims_of_others(facts, visit), node=node.settings.node, news_age=news_age
    )
    lines.append(("How we know", how))
    lines += [
        (f"Also {one.words.lower()}", f"{against.who_where_when(one, names)}: {one.reason}") for one in others
    ]
    return render(
        request, "stop.html", stream="", status=trouble.status if trouble else 200, session=session, visit=visit,
        serial=visit.marks.serial if visit.marks else "", lines=lines,
        orders=against.orders(visit, safety_phone=node.settings.safety_phone),
        lift=against.lift_words(standing.blocks), trouble=trouble,
        may_misread=may_be_misread(visit),
    )  # fmt: skip


def _hold(
    request: Request, node: Node, session: Session, visit: Visit, standing: Standing | None,
    trouble: Trouble | None, kept: Posted,
) -> Response:  # fmt: skip
    with node.store.reading() as cursor:
        names = names_of(node, cursor)
    blocks = standing.blocks if standing else ()
    needs_inspector = bool(blocks) or visit.cylinder_id is None
    inspectors = inspectors_here(node)
    return render(
        request, "hold.html", title=f"Tag {visit.tag}", stream=f"/stream?visit={visit.id}&seen=hold",
        status=trouble.status if trouble else 200, session=session, visit=visit, names=names, trouble=trouble, kept=kept,
        holds=[(block.reason, against.who_where_when(block, names)) for block in blocks],
        held=visit.held if visit.held not in {block.reason for block in blocks} else None,
        serial=visit.marks.serial if visit.marks else "",
        needs_inspector=needs_inspector, inspectors=inspectors,
        may_release=(not needs_inspector or session.person.actor.id in {one.actor.id for one in inspectors})
        and not _lacks_authority(node, session, visit),
        measured_off=analysis_off(visit), take_reasons=_why_not_taken(node, session, visit), steps=_steps_to_take_back(visit),
        may_leave=visit.holds_whip is None and visit.completed is None and not visit.gas_has_flowed,
    )  # fmt: skip


def _lacks_authority(node: Node, session: Session, visit: Visit) -> bool:
    """Whether readings that would not settle hold it, and the one at the tablet may not answer for that."""
    return visit.disagreed > 0 and any(qualified_reasons(node.desk.around(visit, session.person.actor)))


def _why_not_taken(node: Node, session: Session, visit: Visit) -> tuple[Reason, ...]:
    """Why a mix that is off the wish may not go out as what it reads, asked beforehand and thrown away."""
    take = c.TakeAsMeasured(key=node.world.new_id(), visit_id=visit.id, finding="asked")
    try:
        decide(visit, take, node.desk.around(visit, session.person.actor))
    except Refused as refused:
        return refused.reasons
    return ()


def may_be_misread(visit: Visit) -> bool:
    """Whether "I misread the serial" is a way out: not once gas has flowed into it, nor while it is on a whip."""
    return not visit.gas_has_flowed and visit.holds_whip is None


def inspectors_here(node: Node) -> tuple[Person, ...]:
    """Who of this shop may judge a cylinder today, by name."""
    today = node.desk.today()
    return tuple(
        one
        for one in node.people.staff()
        if one.actor.role == "inspector"
        and one.actor.certificate_until is not None
        and one.actor.certificate_until >= today
    )


def _steps_to_take_back(visit: Visit) -> tuple[tuple[str, str], ...]:
    """The answers that may still be read again, latest first. What gas has flowed on stands as it is."""
    if visit.is_filling or (visit.holds_whip is not None and visit.completed is None):
        return ()
    earliest = (
        "analyse" if visit.completed is not None else "residual" if visit.gas_has_flowed else "identify"
    )
    answered = [step for step in STEPS[STEPS.index(earliest) :] if visit.has_answered(step)]
    if visit.gas.is_air:
        answered = [step for step in answered if step != "analyse"]
    return tuple((step, STEP_WORDS[step].capitalize()) for step in reversed(answered))
