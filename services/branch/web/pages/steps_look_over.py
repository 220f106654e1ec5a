"""Looking the cylinder over: outside, dates, the rated pressure read blind, and what the network holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from fastapi import APIRouter
from starlette.responses import Response

from branch.store import views as look
from branch.store.rows import history
from branch.web.pages.asking import Form, Posted, Trouble
from branch.web.pages.steps_frame import (
    NOTHING,
    At,
    TheVisit,
    answer,
    asked,
    month_in,
    moved_on,
    not_recorded,
    page,
    pressure_in,
    reasons_against,
    stopped,
)
from branch.web.pages.steps_rail import age_words, stamped
from branch.web.pages.words import day, month
from cylinder import commands as c
from cylinder.decide.gates import specs_claimed
from cylinder.decide.judged import date_findings
from cylinder.facts import CylinderIdentified, CylinderRegistered, OutsideLookedOver
from cylinder.recorded import Recorded, cylinder_subject
from cylinder.refusal import Reason, Refused
from rulebook import Finding, YearMonth, judge_requalification, judge_visual

router = APIRouter()

WRONGS = (
    "Dent, cut or gouge",
    "Rust or corrosion",
    "Bulge",
    "Crack or leak",
    "Heat, fire or fresh paint",
    "Valve or relief device",
    "Marks cannot be read",
)
"""What is offered to tick at an outside that is not sound; words of our own for 49 CFR 173.301(a)(2)."""

MOST_HISTORY = 200


@dataclass(frozen=True)
class DateCard:
    """What one stamped date means today."""

    title: str
    words: str
    source: str
    kind: Literal["", "hold", "stop"]


def show_outside(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """Sound, or something is wrong."""
    if trouble is not None and form.text("sound") == "no":
        return page(at, "outside_wrong", trouble=trouble, kept=form, wrongs=WRONGS)
    rule = at.node.desk.rules.rule("look.outside")
    return page(at, "outside", trouble=trouble, kept=form, last=_last_note(at), rule=rule)


@router.get("/outside/wrong")
def outside_wrong(at: TheVisit) -> Response:
    """What is wrong with it."""
    held = stopped(at)
    if held is not None:
        return held
    return page(at, "outside_wrong", wrongs=WRONGS) if at.visit.step == "outside" else moved_on(at)


@router.post("/outside")
def look_over(at: TheVisit, form: Form) -> Response:
    """Record the look at the outside."""

    def make() -> c.LookOver:
        if form.text("sound") not in ("yes", "no"):
            raise Refused([Reason("input.sound", "Say whether the outside is sound.", "input")])
        note = ". ".join(part for part in (*form.all("wrong"), form.text("note")) if part)
        return c.LookOver.model_validate(asked(at, form, sound=form.text("sound") == "yes", note=note))

    return answer(at, form, make, show_outside)


def show_dates(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The requalification stamp first, the inside look after it; recorded together."""
    if form.has("requalified") and not _is_about(trouble, "requalified"):
        return page(at, "dates_inside", trouble=trouble, kept=form, requalified=form.text("requalified"))
    return page(at, "dates", trouble=trouble, kept=form, first_test=_first_test(at))


@router.post("/dates")
def read_dates(at: TheVisit, form: Form) -> Response:
    """The first pad leads to the second, which records both."""

    def make() -> c.ReadDates:
        inside = None if form.has("no_inside") else month_in(form, "inside")
        requalified = form.text("requalified")
        return c.ReadDates.model_validate(
            asked(at, form, looked_inside=inside, requalified=None if requalified == "none" else requalified)
        )

    if form.has("requalified"):
        return answer(at, form, make, show_dates)
    try:
        stamp = "none" if form.has("no_requalified") else str(YearMonth.parse(month_in(form, "requalified")))
    except Refused as refused:
        return not_recorded(at, Trouble(refused.reasons), form, show_dates)
    except ValueError as wrong:
        words = f"{str(wrong)[:1].upper()}{str(wrong)[1:]}."
        return not_recorded(at, Trouble((Reason("input.requalified", words, "input"),)), form, show_dates)
    return show_dates(at, None, Posted((("requalified", stamp),)))


def show_rating(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The rated pressure, keyed off the stamp. What is on record is not on this page."""
    is_unit_asked = trouble is not None and trouble.has("rating.unit")
    return page(at, "rating", trouble=trouble, kept=form, is_unit_asked=is_unit_asked)


@router.post("/rating")
def read_rating(at: TheVisit, form: Form) -> Response:
    """Record the stamp; it is compared with the record afterwards."""

    def make() -> c.ReadRating:
        sure = form.has("unit_is_sure")
        return c.ReadRating.model_validate(
            asked(at, form, rated=pressure_in(form, "rated"), unit_is_sure=sure)
        )

    return answer(at, form, make, show_rating)


def show_standing(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """Clean, cannot know, or dates that forbid it. What is condemned never comes here: it is stopped."""
    against = reasons_against(at, c.SeeStanding(key=at.node.world.new_id(), visit_id=at.visit.id))
    is_news_old = any(reason.rule_id == "standing.news-too-old" for reason in against)
    others = tuple(reason for reason in against if reason.rule_id != "standing.news-too-old")
    news_age = at.around.news_age
    policy = at.around.policy
    return page(
        at,
        "standing",
        trouble=trouble,
        kept=form,
        others=others,
        is_news_old=is_news_old,
        may_override=is_news_old
        and not others
        and news_age is not None
        and at.session.person.actor.role == "manager",
        heard=None if news_age is None else age_words(news_age),
        is_amber=news_age is not None and news_age.total_seconds() > policy.news_amber_h * 3600,
        refuse_days=policy.news_refuse_h / 24,
        known_since=_known_since(at),
        look_alikes=_others_like_it(at),
        cards=date_cards(at),
    )


@router.post("/standing")
def see_standing(at: TheVisit, form: Form) -> Response:
    """Go on to connect."""
    if form.has("overriding") and not form.has("supervised"):
        words = "Say why the fill may go on although nobody here can know what others found."
        trouble = Trouble((Reason("input.supervised", words, "input"),), 422)
        return show_standing(at, trouble, form)
    return answer(
        at,
        form,
        lambda: c.SeeStanding.model_validate(asked(at, form, supervised=form.text("supervised"))),
        show_standing,
    )


def date_cards(at: At) -> tuple[DateCard, ...]:
    """The dates as judged today, each with its rule."""
    visit, rules, today = at.visit, at.around.rules, at.around.today
    if visit.marks is None or visit.dates is None:
        return ()
    findings = date_findings(visit, at.around)
    standing = at.standing
    requalified = _latest(visit.dates.requalified, standing.requalified if standing else None)
    inside = _latest(visit.dates.looked_inside, standing.looked_inside if standing else None)
    claims = (visit.marks, *(standing.marks if standing else ()))
    tested = requalified or min(claim.first_test for claim in claims)
    dues = [
        due
        for spec in specs_claimed(rules, claims) or (visit.marks.spec,)
        if (due := judge_requalification(rules, spec, YearMonth.parse(tested), today)[1]) is not None
    ]
    inside_due = judge_visual(rules, YearMonth.parse(inside), today)[1] if inside else None
    month_now = YearMonth.of(today)
    cards = [_found(finding, at.diver) for finding in findings]
    if dues and not any("requalification" in finding.rule_id for finding in findings):
        cards.append(DateCard("Requalification", f"Good to the end of {month(str(min(dues)))}.", "", ""))
    if inside_due and inside_due == month_now:
        words = f"Runs out at the end of this month. Tell {at.diver or 'the diver'}."
        cards.append(DateCard("Inside look", words, "", "hold"))
    elif inside_due and not any("visual" in finding.rule_id for finding in findings):
        cards.append(DateCard("Inside look", f"Good to the end of {month(str(inside_due))}.", "", ""))
    return tuple(cards)


def _found(finding: Finding, diver: str) -> DateCard:
    about = finding.rule_id.split(".")[1]
    title = {"requalification": "Requalification", "visual": "Inside look"}.get(about, "The rules say")
    telling = f" Tell {diver or 'the diver'}." if finding.rule_id.endswith("last_month") else ""
    return DateCard(
        title, finding.words + telling, finding.citation(), "" if finding.bearing == "tell" else "stop"
    )


def _latest(one: str | None, other: str | None) -> str | None:
    return max((each for each in (one, other) if each is not None), default=None)


def _is_about(trouble: Trouble | None, name: str) -> bool:
    return trouble is not None and any(
        reason.rule_id.startswith((f"dates.{name}", f"input.{name}")) for reason in trouble.reasons
    )


def _first_test(at: At) -> str:
    return stamped(at.visit.marks.first_test) if at.visit.marks else ""


def _history(at: At) -> list[Recorded]:
    if at.visit.cylinder_id is None:
        return []
    with at.node.store.reading() as cursor:
        return history(cursor, cylinder_subject(at.visit.cylinder_id), MOST_HISTORY)


def _last_note(at: At) -> str:
    """What was seen at the outside on an earlier visit, newest first."""
    for record_ in _history(at):
        fact = record_.fact
        if isinstance(fact, OutsideLookedOver) and fact.note and fact.visit_id != at.visit.id:
            where = "here" if record_.node == at.node.settings.node else f"at {at.shop(record_.node)}"
            return (
                f"Last time {where}, {day(record_.performed_on)}: {fact.note.rstrip('.')}. Look there again."
            )
    return ""


def _known_since(at: At) -> str:
    """Since when the network has known it; empty where that was in this visit."""
    seen = [one for one in _history(at) if isinstance(one.fact, (CylinderRegistered, CylinderIdentified))]
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
