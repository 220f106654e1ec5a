"""Looking the cylinder over: outside, dates, rated pressure, network standing; and holding it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

from cylinder import commands as c
from cylinder.around import Around
from cylinder.decide.gates import (
    CLOCK_JITTER,
    against,
    ago,
    block_reason,
    inspector_reasons,
    new_fact,
    proof_reasons,
)
from cylinder.decide.judged import in_the_way, is_answerable, judged
from cylinder.decide.mix import analysis_off, qualified_reasons
from cylinder.decide.shoulder import differs_from_shoulder, reading_of
from cylinder.facts import (
    DatesRead,
    HoldPlaced,
    HoldReleased,
    OutsideLookedOver,
    RatingRead,
    StandingSeen,
    StepName,
    StepReopened,
    VisitHeld,
    VisitResumed,
)  # fmt: skip
from cylinder.marks import DateStamp
from cylinder.recorded import NewFact, cylinder_subject
from cylinder.refusal import Reason, Refused, reason_of, refuse_if
from cylinder.visit import STEPS, Visit
from gas.pressure import Pressure, odd_unit_question
from rulebook import Finding, YearMonth, judge_rating

_SAME_RATING = 0.02
"""Two readings of one stamp agree within 2 %: 207 bar and 3000 psi are the same rating, rounded by the maker."""


def look_over(state: Visit, command: c.LookOver, around: Around) -> tuple[NewFact, ...]:
    """49 CFR 173.301(a)(2): the filler looks at the outside before each filling. Not sound is a hold."""
    looked = new_fact(
        state, OutsideLookedOver(visit_id=state.id, sound=command.sound, note=command.note), around
    )
    if command.sound:
        return (looked,)
    if not command.note:
        raise Refused([Reason("outside.say-what", "Say what is wrong, so that an inspector can answer it.")])
    return (looked, *_holds(state, f"Outside: {command.note}", "outside.not-sound", around))


def read_dates(state: Visit, command: c.ReadDates, around: Around) -> tuple[NewFact, ...]:
    """Record what the metal says. Whether it is in date is judged by `date_findings`, here and again before the fill."""
    stamp = command.stamp
    may_lie_ahead = stamp is not None and stamp.kind == "expires" and around.rules.stamped_date == "either"
    refuse_if(
        Reason(f"dates.{name}-ahead", f"A {words} in {month} lies ahead of today.")
        for name, words, month, is_expiry in (
            ("requalified", "requalification stamp", command.requalified, may_lie_ahead),
            ("inside", "look inside", command.looked_inside, False),
        )
        if month is not None
        and not is_expiry
        and YearMonth.parse(month) > YearMonth(around.today.year, around.today.month)
    )
    refuse_if(_stamp_against(state, command, around))
    first_test = state.marks.first_test if state.marks else None
    refuse_if(
        Reason(
            f"dates.{name}-before-first-test",
            f"A {words} in {month} lies before the first test, {first_test}.",
        )
        for name, words, month in (
            ("requalified", "requalification stamp", command.requalified),
            ("inside", "look inside", command.looked_inside),
        )
        if month is not None and first_test is not None and month < first_test
    )
    dates = DatesRead(
        visit_id=state.id,
        requalified=command.requalified,
        looked_inside=command.looked_inside,
        stamp=command.stamp,
    )
    return (new_fact(state, dates, around),)


def _stamp_against(state: Visit, command: c.ReadDates, around: Around) -> Iterator[Reason]:
    """What is said around the date, against the rules in force and the shoulder typed in this visit."""
    stamp = command.stamp or DateStamp()
    if stamp.kind == "expires" and around.rules.stamped_date == "test":
        words = "Under these rules the stamp is the month of the test: a date of expiry is not counted here."
        yield Reason("dates.kind", words)
    if stamp.kind is None and command.requalified is not None and around.rules.stamped_date == "either":
        words = (
            "Say whether the stamp is the date of the test or the date it runs out: the rules here do not."
        )
        yield Reason("dates.kind-unsaid", words)
    if stamp.plus_after and command.requalified and stamp.plus_after > command.requalified:
        yield Reason(
            "dates.plus-ahead", "A plus stands behind a date, and none is later than the latest one."
        )
    reading = reading_of(state.shoulder, around.today)
    typed = reading.latest_requalification if reading is not None else None
    # The first test alone says nothing of later ones: they stand elsewhere, or were not typed.
    is_later = reading is not None and typed in reading.stamps.requalifications
    if typed is not None and is_later and str(typed.month) != command.requalified:
        yield Reason(
            "dates.differs-from-shoulder",
            f"Typed off the shoulder, the latest test is {typed.month}; keyed is {command.requalified or 'none'}. "
            "Look at the metal; where the shoulder was mistyped, take the marks back.",
        )


def read_rating(state: Visit, command: c.ReadRating, around: Around) -> tuple[NewFact, ...]:
    """Record the stamp, then compare with what is on record: a difference is a hold, never an average."""
    rated = command.rated.pressure
    question = odd_unit_question(rated)
    if question and not command.unit_is_sure:
        raise Refused([Reason("rating.unit", question)])
    spec = state.marks.spec if state.marks else ""
    findings = judge_rating(around.rules, spec, rated)
    refuse_if(reason_of(finding) for finding in findings if finding.bearing == "refuse")
    on_record = around.standing.rated if around.standing else None
    typed = differs_from_shoulder(command.rated, reading_of(state.shoulder, around.today))
    # What contradicts the shoulder typed in this visit is disputed, and never becomes the record by itself.
    agrees = not typed and (on_record is None or is_same_rating(rated, on_record.pressure))
    read = RatingRead(visit_id=state.id, rated=command.rated, on_record=on_record, agrees=agrees)
    facts = (new_fact(state, read, around),)
    odd = next((finding for finding in findings if finding.bearing == "hold"), None)
    if odd is not None:
        return (*facts, *_holds(state, odd.words, odd.rule_id, around))
    if typed:
        return (*facts, *_holds(state, typed, "rating.differs-from-shoulder", around))
    if agrees or on_record is None:
        return facts
    why = f"Rated {command.rated.words} read here, {on_record.words} on record. Photograph the stamp."
    return (*facts, *_holds(state, why, "rating.differs", around))


def see_standing(state: Visit, command: c.SeeStanding, around: Around) -> tuple[NewFact, ...]:
    """Go on only with a clear standing, nothing of the rulebook in the way, and knowledge that is young enough."""
    found = judged(state, around)
    answered = command.looked_into.rule_ids if command.looked_into else ()
    refuse_if(
        [
            *against(state, around.standing),
            *(reason_of(finding) for finding in in_the_way(found, answered)),
            *_ratings_differ(state, around),
            *_may_not_answer(found, answered, around),
            *news_reasons(around, supervised=command.supervised),
        ]
    )
    age_s = max(0, int((around.news_age or dt.timedelta(0)).total_seconds()))
    supervised = (
        command.supervised if news_reasons(around) else ""
    )  # An override is one only where it was needed.
    seen = StandingSeen(
        visit_id=state.id, news_age_s=age_s, supervised=supervised, looked_into=command.looked_into
    )
    return (new_fact(state, seen, around),)


def rules_against(state: Visit, around: Around, target: Pressure) -> Iterator[Reason]:
    """What the rulebook has against this target, asked again before gas flows; an inspector's answers of this visit count."""
    seen = state.standing_seen.looked_into if state.standing_seen else None
    found = judged(state, around, target=target)
    yield from (reason_of(finding) for finding in in_the_way(found, seen.rule_ids if seen else ()))
    yield from _ratings_differ(state, around)


def _ratings_differ(state: Visit, around: Around) -> Iterator[Reason]:
    """A hold may be answered, but two ratings of one shoulder stay two until they are read again."""
    typed = (
        ""
        if state.rating is None
        else differs_from_shoulder(state.rating.rated, reading_of(state.shoulder, around.today))
    )
    if typed:
        yield Reason("rating.differs-from-shoulder", f"{typed} Take the answers back and read both again.")


def _may_not_answer(
    found: tuple[Finding, ...], answered: tuple[str, ...], around: Around
) -> Iterator[Reason]:
    """Only an inspector in date answers what asks for a look, and only what was asked."""
    if not answered:
        return
    yield from inspector_reasons(around)
    asked = {finding.rule_id for finding in found if is_answerable(finding)}
    for rule_id in answered:
        if rule_id not in asked:
            yield Reason(
                "standing.not-asked", f"Nothing asks for a look under {rule_id}: see the page again."
            )


def news_reasons(around: Around, *, supervised: str = "") -> list[Reason]:
    """Why the age of this shop's knowledge of the network forbids a fill, if it does."""
    limit_h = around.policy.news_refuse_h
    if around.news_age is not None and -CLOCK_JITTER <= around.news_age <= dt.timedelta(hours=limit_h):
        return []
    if supervised and around.actor.role == "manager" and around.news_age is not None:
        return []
    heard = "never" if around.news_age is None else ago(around.now - around.news_age, around.now)
    return [
        Reason(
            "standing.news-too-old",
            f"This shop heard from the network {heard}. Nobody here can know what others have found: "
            "do not fill. A manager may go on, with a reason, once the shop has heard the network at least once.",
        )
    ]


def hold_it(state: Visit, command: c.HoldIt, around: Around) -> tuple[NewFact, ...]:
    """Hold the visit; a known cylinder is held in every shop."""
    return _holds(state, command.why, "hold.by-hand", around)


def resume(state: Visit, command: c.Resume, around: Around) -> tuple[NewFact, ...]:
    """Go on after a hold. An inspector's finding lifts the holds that this visit placed; others are answered by name.

    A hold that no record of a cylinder carries, because nobody knew yet which cylinder it is, takes an
    inspector too. Where nothing is held against the cylinder any more, anybody may go on.
    """
    if state.held is None:
        raise Refused([Reason("visit.not-held", f"Tag {state.tag} is not on hold.")])
    blocks = around.standing.blocks if around.standing else ()
    own = [block for block in blocks if block.is_hold and block.visit_id == state.id]
    reasons = [block_reason(block) for block in blocks if block not in own]
    if not blocks:
        reasons += against(state, around.standing)
    if own or state.cylinder_id is None:
        reasons += inspector_reasons(around)
    if own and not reasons:
        reasons += proof_reasons(around, around.today)
    if state.disagreed:
        reasons += qualified_reasons(around)
    if analysis_off(state):
        reasons.append(
            Reason("analyse.off", f"{analysis_off(state)} Take the answer back and measure again.")
        )
    refuse_if(reasons)
    resumed = new_fact(state, VisitResumed(visit_id=state.id, finding=command.finding), around)
    if not own:
        return (resumed,)
    released = HoldReleased(finding=command.finding)
    links = around.standing.links if around.standing else ()
    on = {block: block.on or (state.cylinder_id,) for block in own}
    return (
        *(
            NewFact(
                released,
                cylinder_subject(record),
                around.today,
                diver_ref=state.diver_ref,
                clears=(*(block.id for block in own if record in on[block]), *links),
            )
            for record in dict.fromkeys(one for records in on.values() for one in records)
            if record is not None
        ),
        resumed,
    )


def reopen(state: Visit, command: c.Reopen, around: Around) -> tuple[NewFact, ...]:
    """Take an answer back. What gas has flowed on stands, and what hangs on a whip is bled off first."""
    refuse_if(_why_it_stands(state, command.step, around))
    reopened = StepReopened(visit_id=state.id, step=command.step, why=command.why)
    return (new_fact(state, reopened, around),)


def _why_it_stands(state: Visit, step: StepName, around: Around) -> Iterator[Reason]:
    asked = STEPS.index(step)
    is_before_end = asked <= STEPS.index("fill")
    if step == "certification":
        yield Reason(
            "reopen.certification", "Certification is seen at the counter: end this visit and greet again."
        )
    elif not state.has_answered(step):
        yield Reason("reopen.not-yet", "That step has no answer yet.")
    if state.authorised is not None and is_before_end and state.aborted is None:
        yield Reason("reopen.filled", "Gas has flowed: what was read before the fill stands as it is.")
    elif state.aborted is not None and is_before_end and asked > STEPS.index("residual"):
        yield Reason(
            "reopen.read-again", "Gas has flowed: take back what is left in it, and read that again."
        )
    elif state.holds_whip is not None and asked <= STEPS.index("whip"):
        yield Reason("reopen.on-whip", f"It is on whip {state.whip}. Bleed the whip and take it off first.")
    if step == "bleed":
        for other in around.open_visits:
            if other.id != state.id and other.holds_whip is not None and other.holds_whip == state.whip:
                yield Reason("whip.taken", f"Whip {state.whip} is on tag {other.tag} by now.")


def _holds(state: Visit, why: str, rule_id: str, around: Around) -> tuple[NewFact, ...]:
    why = why[:200]
    held = new_fact(state, VisitHeld(visit_id=state.id, why=why), around)
    if state.cylinder_id is None:
        return (held,)
    placed = new_fact(state, HoldPlaced(reason=why, rule_id=rule_id, visit_id=state.id), around)
    return (NewFact(placed.fact, placed.subject, placed.performed_on), held)


def is_same_rating(one: Pressure, other: Pressure) -> bool:
    """Whether two readings are of one stamp."""
    return abs(one.pascal - other.pascal) <= _SAME_RATING * max(one.pascal, other.pascal)
