"""The bench: who may judge, on which day, what is lifted by name, and what nothing lifts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from uuid import UUID

import pytest
from tests.cylinder.given import (
    HERE,
    INSPECTOR,
    KNOWN,
    LAPSED,
    MANAGER,
    OFFICER,
    OPERATOR,
    OTHER,
    TODAY,
    Given,
    a_fact,
    an_id,
    certified,
    condemned,
    failed,
    held,
    psi,
    registered,
    rejected,
)
from tests.cylinder.histories import linked, revoked, split, suspected, withdrawn

from cylinder import commands as c
from cylinder import facts as f
from cylinder.around import Actor
from cylinder.decide import decide
from cylinder.proof import covered_work
from cylinder.recorded import Recorded
from cylinder.refusal import Refused

AT_BENCH = Given((registered(),), actor=INSPECTOR)
Dated = Callable[[dt.date], c.Command]


def pass_visual(day: dt.date = TODAY) -> c.PassVisual:
    return c.PassVisual(key=an_id("pass"), cylinder_id=KNOWN, performed_on=day, rated=psi(3000))


def fail_visual(day: dt.date = TODAY) -> c.FailVisual:
    return c.FailVisual(key=an_id("fail"), cylinder_id=KNOWN, performed_on=day, findings="Rust")


def requalify(
    day: dt.date = TODAY,
    *,
    total: float | None = 100.0,
    permanent: float | None = 5.0,
    method: str = "hydrostatic",
) -> c.Requalify:
    return c.Requalify.model_validate(
        {
            "key": an_id("requalify"), "cylinder_id": KNOWN, "performed_on": day, "method": method,
            "total_expansion_cc": total, "permanent_expansion_cc": permanent,
        }
    )  # fmt: skip


def reject(day: dt.date = TODAY, criterion: str = "reject.outside") -> c.Reject:
    return c.Reject(
        key=an_id("reject"), cylinder_id=KNOWN, performed_on=day, reason="Pit", criterion_id=criterion
    )


def condemn(
    day: dt.date = TODAY, *, criterion: str = "condemn.cracking", last_four: str = "0471"
) -> c.Condemn:
    return c.Condemn(
        key=an_id("condemn"), cylinder_id=KNOWN, performed_on=day, reason="Neck crack",
        criterion_id=criterion, last_four=last_four,
    )  # fmt: skip


def make_unusable(day: dt.date = TODAY) -> c.MakeUnusable:
    return c.MakeUnusable(key=an_id("unusable"), cylinder_id=KNOWN, performed_on=day, how="Drilled")


def place_hold() -> c.PlaceHold:
    return c.PlaceHold(key=an_id("place"), cylinder_id=KNOWN, reason="Smells of oil")


def release(block_id: UUID) -> c.ReleaseHold:
    return c.ReleaseHold(key=an_id("release"), cylinder_id=KNOWN, block_id=block_id, finding="Clean")


def notify(block_id: UUID) -> c.NotifyOwner:
    return c.NotifyOwner(key=an_id("notify"), cylinder_id=KNOWN, block_id=block_id, how="By letter")


JUDGEMENTS: tuple[Dated, ...] = (pass_visual, fail_visual, requalify, reject, condemn, make_unusable)


@pytest.mark.parametrize("judgement", JUDGEMENTS)
@pytest.mark.parametrize(
    ("actor", "rule_id"),
    [
        (OPERATOR, "bench.inspector"),
        (MANAGER, "bench.inspector"),
        (OFFICER, "bench.inspector"),
        (LAPSED, "bench.certificate"),
        (Actor("in-3", "inspector"), "bench.certificate"),
    ],
)
def test_only_an_inspector_in_date_judges(judgement: Dated, actor: Actor, rule_id: str) -> None:
    AT_BENCH.by(actor).when(judgement(TODAY)).is_refused_for(rule_id)


@pytest.mark.parametrize("judgement", JUDGEMENTS)
@pytest.mark.parametrize(
    ("days", "rule_ids"), [(1, ["bench.day-ahead"]), (-32, ["bench.day-old"]), (-31, []), (0, [])]
)
def test_the_day_of_the_work_is_not_ahead_and_not_more_than_31_days_old(
    judgement: Dated, days: int, rule_ids: list[str]
) -> None:
    outcome = AT_BENCH.when(judgement(TODAY + dt.timedelta(days=days)))
    assert [reason.rule_id for reason in outcome.reasons] == rule_ids


@pytest.mark.parametrize("judgement", JUDGEMENTS)
def test_older_work_needs_evidence_of_its_day_and_keeps_it(judgement: Dated) -> None:
    long_ago = TODAY - dt.timedelta(days=400)
    command = judgement(long_ago).model_copy(update={"evidence": "Card 77 of the test house"})
    outcome = AT_BENCH.when(command)
    assert [f.evidence_of(new.fact) for new in outcome.facts] == ["Card 77 of the test house"]
    assert [(new.fact.V, new.performed_on) for new in outcome.facts] == [(2, long_ago)]
    ahead = judgement(TODAY + dt.timedelta(days=1)).model_copy(update={"evidence": "A crystal ball"})
    AT_BENCH.when(ahead).is_refused_for("bench.day-ahead")


@pytest.mark.parametrize("good_news", [pass_visual, requalify])
def test_good_news_that_no_shop_would_count_is_not_recorded(good_news: Dated) -> None:
    yesterday = TODAY - dt.timedelta(days=1)
    taken_on_today = replace(AT_BENCH, staff=(certified(INSPECTOR, HERE, on=TODAY),))
    taken_on_today.when(good_news(yesterday)).is_refused_for("bench.not-on-record")
    assert taken_on_today.do(good_news(TODAY)).standing().looked_inside == "2026-06"
    AT_BENCH.but(revoked(1, node=HERE)).when(good_news(TODAY)).is_refused_for("bench.key-in-doubt")
    AT_BENCH.but(withdrawn(INSPECTOR, HERE)).when(good_news(TODAY)).is_refused_for("bench.not-on-record")


def test_a_hold_is_not_released_on_a_word_that_counts_nowhere() -> None:
    given = AT_BENCH.but(held(), suspected(1, node=HERE))
    given.when(release(held().id)).is_refused_for("bench.key-in-doubt")


def test_bad_news_is_taken_whatever_is_known_of_the_key_and_the_person() -> None:
    given = AT_BENCH.but(revoked(0, node=HERE), withdrawn(INSPECTOR, HERE))
    assert given.do(condemn()).standing().is_condemned


def test_a_pass_speaks_of_every_record_of_the_cylinder_and_falls_with_their_link() -> None:
    link = linked(KNOWN, OTHER)
    given = AT_BENCH.but(link, registered(OTHER), held(), failed(OTHER))
    made = given.when(pass_visual()).makes(f.VisualPassed, f.VisualPassed)
    assert [(new.subject, new.clears) for new in made] == [
        (f"cylinder/{KNOWN}", (held().id, link.id)),
        (f"cylinder/{OTHER}", (failed(OTHER).id, link.id)),
    ]
    passed = given.do(pass_visual())
    assert passed.standing().is_clear
    assert passed.standing(OTHER).is_clear
    apart = passed.but(split(link))
    assert {block.kind for block in apart.standing(OTHER).blocks} == {f.VisualFailed.KIND}


def test_a_hold_on_another_record_of_the_cylinder_is_released_there() -> None:
    link = linked(KNOWN, OTHER)
    given = AT_BENCH.but(link, held(OTHER))
    made = given.when(release(held(OTHER).id)).makes(f.HoldReleased)[0]
    assert (made.subject, made.clears) == (f"cylinder/{OTHER}", (held(OTHER).id, link.id))
    assert given.do(release(held(OTHER).id)).standing().is_clear


def test_who_may_not_and_when_not_are_said_together() -> None:
    AT_BENCH.by(LAPSED).when(pass_visual(TODAY + dt.timedelta(days=1))).is_refused_for(
        "bench.certificate", "bench.day-ahead"
    )


def test_a_cylinder_that_is_not_on_record_is_not_judged() -> None:
    Given((), actor=INSPECTOR).when(pass_visual()).is_refused_for("bench.unknown")
    around = replace(AT_BENCH.around(pass_visual()), standing=AT_BENCH.standing(an_id("another")))
    with pytest.raises(Refused):
        decide(None, pass_visual(), around)


def test_a_condemnation_carries_criterion_clause_and_the_serial_on_the_metal() -> None:
    made = AT_BENCH.when(condemn()).makes(f.Condemned)[0].fact
    assert isinstance(made, f.Condemned)
    assert (made.serial_read, made.criterion_id) == ("B0471", "condemn.cracking")
    assert made.clause.startswith("49 CFR 180.205(i)(1)(iii), 2015 annual edition")


def test_a_clause_or_an_edition_that_the_pack_does_not_have_is_left_out() -> None:
    made = AT_BENCH.when(condemn(criterion="condemn.bulge")).makes(f.Condemned)[0].fact
    assert isinstance(made, f.Condemned)
    assert made.clause == "CGA C-6 and C-6.1"


@pytest.mark.parametrize("last_four", ["0472", "471", "1", "", "    ", "O471"])
def test_a_condemnation_of_the_wrong_metal_is_refused(last_four: str) -> None:
    AT_BENCH.when(condemn(last_four=last_four)).is_refused_for("condemn.last-four")


@pytest.mark.parametrize(
    "judgement", [condemn(criterion="rusty"), condemn(criterion="reject.outside"), reject(criterion="x")]
)
def test_a_judgement_needs_a_criterion_of_the_rulebook(judgement: c.Command) -> None:
    AT_BENCH.when(judgement).is_refused_for("bench.criterion")


def test_a_criterion_to_condemn_may_also_reject() -> None:
    AT_BENCH.when(reject(criterion="condemn.cracking")).makes(f.Rejected)


def test_exactly_10_percent_permanent_expansion_passes() -> None:
    AT_BENCH.when(requalify(total=100.0, permanent=10.0)).makes(f.Requalified)


def test_10_point_1_percent_refuses_and_names_the_clause() -> None:
    # 49 CFR 180.205(i)(1)(iv), 2015 annual edition.
    reasons = AT_BENCH.when(requalify(total=100.0, permanent=10.1)).is_refused_for("us.condemn.expansion")
    assert (reasons[0].source, reasons[0].clause) == ("49 CFR", "180.205(i)(1)(iv)")
    assert reasons[0].edition.startswith("2015 annual edition")


@pytest.mark.parametrize("method", ["ultrasonic", "proof"])
def test_an_expansion_that_was_measured_is_judged_whatever_the_method(method: str) -> None:
    AT_BENCH.when(requalify(total=100.0, permanent=20.0, method=method)).is_refused_for(
        "us.condemn.expansion"
    )
    AT_BENCH.when(requalify(total=None, permanent=None, method=method)).makes(f.Requalified)


@pytest.mark.parametrize(("total", "permanent"), [(None, None), (100.0, None), (None, 5.0), (100.0, 101.0)])
def test_a_hydrostatic_test_needs_two_expansions_that_belong_together(
    total: float | None, permanent: float | None
) -> None:
    AT_BENCH.when(requalify(total=total, permanent=permanent)).is_refused_for("requalify.expansion")


def test_a_pass_names_the_blocks_that_it_lifts_and_no_others() -> None:
    given = AT_BENCH.but(held(), failed(), rejected())
    made = given.when(pass_visual()).makes(f.VisualPassed)[0]
    assert set(made.clears) == {held().id, failed().id}
    assert [block.kind for block in given.do(pass_visual()).standing().blocks] == [f.Rejected.KIND]


def test_a_requalification_lifts_a_rejection() -> None:
    given = AT_BENCH.but(held(), failed(), rejected())
    assert given.do(requalify()).standing().is_clear


def test_work_done_before_the_day_of_a_finding_does_not_answer_it() -> None:
    given = AT_BENCH.but(rejected(), held())
    yesterday = TODAY - dt.timedelta(days=1)
    assert given.when(requalify(yesterday)).makes(f.Requalified)[0].clears == ()
    assert not given.do(requalify(yesterday)).standing().is_clear


@pytest.mark.parametrize("for_good", [condemned(), a_fact(f.RenderedUnusable(how="Drilled"), "drilled")])
def test_nothing_lifts_a_condemnation(for_good: Recorded) -> None:
    # 49 CFR 180.203 "Condemn", 2015 annual edition.
    given = AT_BENCH.but(for_good)
    reasons = given.when(pass_visual()).is_refused_for("bench.for-good")
    assert reasons[0].source == "49 CFR 180.203"
    given.when(requalify()).is_refused_for("bench.for-good")
    given.when(release(for_good.id)).is_refused_for("release.not-a-hold")


@pytest.mark.parametrize("role", ["operator", "inspector", "manager", "officer"])
@pytest.mark.parametrize(
    "clear", [f.HoldReleased(finding="x"), f.VisualPassed(), f.Requalified(method="proof")]
)
def test_no_clear_by_anybody_that_reaches_the_log_lifts_a_condemnation(clear: f.Fact, role: str) -> None:
    fact = a_fact(clear, "clear", actor=Actor("x", role), clears=(condemned().id,))
    assert AT_BENCH.but(fact, condemned()).standing().is_condemned


def test_anybody_may_place_a_hold() -> None:
    for actor in (OPERATOR, LAPSED, MANAGER):
        AT_BENCH.by(actor).when(place_hold()).makes(f.HoldPlaced)


def test_an_inspector_in_date_releases_a_hold_by_name() -> None:
    given = AT_BENCH.but(held())
    made = given.when(release(held().id)).makes(f.HoldReleased)[0]
    assert made.clears == (held().id,)
    given.by(OPERATOR).when(release(held().id)).is_refused_for("bench.inspector")
    given.by(LAPSED).when(release(held().id)).is_refused_for("bench.certificate")


def test_a_hold_that_is_not_open_is_not_released() -> None:
    AT_BENCH.when(release(an_id("nothing"))).is_refused_for("release.unknown")
    AT_BENCH.but(held()).do(release(held().id)).when(release(held().id)).is_refused_for("release.unknown")


@pytest.mark.parametrize("block", [failed(), rejected()])
def test_a_failed_look_or_a_rejection_is_no_hold(block: Recorded) -> None:
    AT_BENCH.but(block).when(release(block.id)).is_refused_for("release.not-a-hold")


def test_the_owner_is_told_about_a_record_that_exists() -> None:
    AT_BENCH.but(condemned()).when(notify(condemned().id)).makes(f.OwnerNotified)
    AT_BENCH.when(notify(an_id("nothing"))).is_refused_for("notify.unknown-block")


def test_bad_news_about_a_condemned_cylinder_is_still_taken() -> None:
    for judgement in (fail_visual(), reject(), condemn(), make_unusable(), place_hold()):
        assert AT_BENCH.but(condemned()).when(judgement).facts


@pytest.mark.parametrize("judgement", JUDGEMENTS)
def test_on_its_last_day_a_certificate_is_good_and_on_the_day_after_it_is_not(judgement: Dated) -> None:
    last_day = replace(INSPECTOR, certificate_until=TODAY)
    assert not AT_BENCH.by(last_day).when(judgement(TODAY)).reasons
    AT_BENCH.by(replace(INSPECTOR, certificate_until=TODAY - dt.timedelta(days=1))).when(
        judgement(TODAY)
    ).is_refused_for("bench.certificate")


def test_good_news_needs_a_certificate_for_that_work_and_bad_news_does_not() -> None:
    # 49 CFR 180.205(b), 2015 annual edition: nobody represents a requalification as done without an approval.
    looks_only = AT_BENCH.by(replace(INSPECTOR, covers=frozenset({"visual inspection"})))
    reasons = looks_only.when(requalify()).is_refused_for("bench.certificate-kind")
    assert "this needs one for pressure test" in reasons[0].words
    looks_only.when(pass_visual()).makes(f.VisualPassed)
    tests_only = AT_BENCH.by(replace(INSPECTOR, covers=frozenset({"pressure test"})))
    tests_only.when(pass_visual()).is_refused_for("bench.certificate-kind")
    for bad_news in (fail_visual(), reject(), condemn()):
        assert not tests_only.when(bad_news).reasons


def test_the_latest_certificate_of_this_shop_says_what_it_is_for() -> None:
    older = certified(INSPECTOR, HERE, on=dt.date(2026, 1, 1))
    fact = older.fact
    assert isinstance(fact, f.ActorCertified)
    newer = replace(
        certified(INSPECTOR, HERE, on=dt.date(2026, 3, 1)),
        fact=fact.model_copy(update={"covers": ("pressure test",)}),
    )
    same_day = replace(
        newer, id=an_id("a"), origin=replace(newer.origin, seq=2), fact=fact.model_copy(update={"covers": ()})
    )
    for order in ((newer, same_day), (same_day, newer)):
        assert covered_work(order, INSPECTOR.id, HERE, TODAY) == frozenset()
    elsewhere = replace(newer, id=an_id("elsewhere"), origin=replace(newer.origin, node="shop-nine"))
    assert covered_work((newer, older, elsewhere), INSPECTOR.id, HERE, TODAY) == frozenset({"pressure test"})
    assert covered_work((newer, older), INSPECTOR.id, HERE, dt.date(2026, 2, 1)) is None
    assert covered_work((elsewhere,), INSPECTOR.id, HERE, TODAY) is None
