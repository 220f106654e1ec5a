"""What the network holds of the cylinder and what the rulebook says of it: every finding with where it is written."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from fastapi import APIRouter
from starlette.responses import Response

from branch.store import views as look
from branch.web.pages.asking import Form, Posted, Trouble
from branch.web.pages.steps_frame import NOTHING, At, TheVisit, answer, asked, page, reasons_against
from branch.web.pages.steps_look_over import history_of
from branch.web.pages.steps_rail import age_words, stamped
from branch.web.pages.words import day, month
from cylinder import commands as c
from cylinder.decide.gates import inspector_reasons
from cylinder.decide.judged import (
    claims_of,
    dates_of,
    is_answerable,
    judged,
    until_empty,
    who_fills,
)
from cylinder.facts import CylinderIdentified, CylinderRegistered, FillCompleted
from cylinder.refusal import Reason
from rulebook import Finding, YearMonth, judge_requalification, judge_visual

router = APIRouter()


@dataclass(frozen=True)
class DateCard:
    """What one stamped date means today."""

    title: str
    words: str
    source: str
    kind: Literal["", "hold", "stop"]


def show_standing(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """Clean, cannot know, or what the rules have against it. What is condemned never comes here: it is stopped."""
    against = reasons_against(at, c.SeeStanding(key=at.node.world.new_id(), visit_id=at.visit.id))
    is_news_old = any(reason.rule_id == "standing.news-too-old" for reason in against)
    findings = judged(at.visit, at.around)
    to_look_into = tuple(one for one in findings if is_answerable(one))
    may_answer = bool(to_look_into) and not any(inspector_reasons(at.around))
    news_age = at.around.news_age
    policy = at.around.policy
    held = {one.rule_id for one in to_look_into}
    others = tuple(
        one for one in against if one.rule_id != "standing.news-too-old" and one.rule_id not in held
    )
    return page(
        at,
        "standing",
        trouble=trouble,
        kept=form,
        others=others,
        to_look_into=to_look_into,
        may_answer=may_answer,
        is_news_old=is_news_old,
        may_override=is_news_old
        and not others
        and not to_look_into
        and news_age is not None
        and at.session.person.actor.role == "manager",
        heard=None if news_age is None else age_words(news_age),
        is_amber=news_age is not None and news_age.total_seconds() > policy.news_amber_h * 3600,
        refuse_days=policy.news_refuse_h / 24,
        known_since=_known_since(at),
        look_alikes=_others_like_it(at),
        cards=date_cards(at, findings),
        told=tuple(one for one in findings if one.bearing == "tell"),
        who_fills=who_fills(at.visit, at.around),
        rules=at.around.rules,
    )


@router.post("/standing")
def see_standing(at: TheVisit, form: Form) -> Response:
    """Go on to connect."""
    if form.has("overriding") and not form.has("supervised"):
        words = "Say why the fill may go on although nobody here can know what others found."
        trouble = Trouble((Reason("input.supervised", words, "input"),), 422)
        return show_standing(at, trouble, form)
    rule_ids = form.all("looked_into")
    if rule_ids and not form.has("finding"):
        words = "Say what you found when you looked: it is recorded with your name."
        return show_standing(at, Trouble((Reason("input.finding", words, "input"),), 422), form)
    looked_into = {"rule_ids": rule_ids, "finding": form.text("finding")} if rule_ids else None
    return answer(
        at,
        form,
        lambda: c.SeeStanding.model_validate(
            asked(at, form, supervised=form.text("supervised"), looked_into=looked_into)
        ),
        show_standing,
    )


def date_cards(at: At, findings: tuple[Finding, ...]) -> tuple[DateCard, ...]:
    """How long the dates are good, where nothing is against them; and what becomes of gas that was filled in time."""
    dates, rules, today = dates_of(at.visit, at.around), at.around.rules, at.around.today
    if dates is None:
        return ()
    dues = [
        due
        for claim in claims_of(at.visit, at.around)
        if (
            due := judge_requalification(
                rules, claim.spec, dates.requalified, today, stamp=dates.stamp, permit=claim.permit
            )[1]
        )
        is not None
    ]
    _, inside_due = judge_visual(rules, dates.looked_inside, today)
    is_stopped = {one.rule_id.split(".")[1] for one in findings if one.bearing != "tell"}
    cards = []
    if dues and not is_stopped & {"requalification", "date", "mark"}:
        words = f"Good to the end of {month(str(min(dues)))}."
        is_last = YearMonth.of(today) == min(dues)
        telling = f" Tell {at.diver or 'the diver'}: used until empty, not filled again." if is_last else ""
        cards.append(DateCard("Requalification", words + telling, "", "hold" if is_last else ""))
    if inside_due and inside_due == YearMonth.of(today):
        words = f"Runs out at the end of this month. Tell {at.diver or 'the diver'}."
        cards.append(DateCard("Inside look", words, "", "hold"))
    elif inside_due and "visual" not in is_stopped:
        cards.append(DateCard("Inside look", f"Good to the end of {month(str(inside_due))}.", "", ""))
    return (*cards, *_gas_in_it(at))


def _gas_in_it(at: At) -> tuple[DateCard, ...]:
    """A cylinder that comes past its date and was filled before it: its gas may be used, it is not filled again."""
    filled = [one for one in history_of(at) if isinstance(one.fact, FillCompleted)]
    if not filled:
        return ()
    last = max(filled, key=lambda one: (one.performed_on, one.at))
    return tuple(
        DateCard("The gas that is in it", one.words, one.citation(), "hold")
        for one in until_empty(at.visit, at.around, last.performed_on)
    )


def _known_since(at: At) -> str:
    """Since when the network has known it; empty where that was in this visit."""
    seen = [one for one in history_of(at) if isinstance(one.fact, (CylinderRegistered, CylinderIdentified))]
    earlier = [
        one
        for one in seen
        if not (isinstance(one.fact, CylinderIdentified) and one.fact.visit_id == at.visit.id)
        and not (at.visit.received_at is not None and one.at >= at.visit.received_at)
    ]
    return day(min(one.performed_on for one in earlier)) if earlier else ""


def _others_like_it(at: At) -> tuple[str, ...]:
    """Other records with nearly this serial, so that nobody takes one for the other."""
    if at.visit.marks is None:
        return ()
    with at.node.store.reading() as cursor:
        found = look.near_serial(cursor, at.visit.marks.serial)
    return tuple(
        f"{one.marks.serial}, {one.marks.spec}, first test {stamped(one.marks.first_test)}"
        + ("" if one.standing.is_clear else f": {one.standing.blocks[0].words.lower()}")
        for one in found
        if one.cylinder_id != at.visit.cylinder_id
    )
