"""The rulebook asked about a visit: kind of stamp, signs, permits, the shop's own rules; and nothing passes that was stopped."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from itertools import product

import pytest
from tests.cylinder.given import (
    HERE,
    INSPECTOR,
    MARKS,
    OPERATOR,
    TODAY,
    VISIT,
    Given,
    Outcome,
    an_id,
    authorise,
    bar,
    blow_out,
    connect_whip,
    greet,
    identify,
    look_over,
    marked,
    psi,
    read_rating,
    read_residual,
    registered,
    see_standing,
    send_people_out,
    up_to,
)

from cylinder import commands as c
from cylinder import facts as f
from cylinder.around import Around, HousePolicy
from cylinder.decide import decide
from cylinder.decide.gates import specs_claimed
from cylinder.decide.judged import judged, until_empty, who_fills
from cylinder.marks import DateStamp, GasWanted, Marks
from cylinder.refusal import Refused
from cylinder.visit import Visit
from rulebook import (
    Permit,
    StorePolicy,
    YearMonth,
    judge_requalification,
    judge_visual,
    load,
)

ISO = marked(serial="UN77812", maker="MB", spec="ISO 9809-1", first_test="2019-05")
UN = "UN ISO 9809-1 USA/M0000 PW232BAR PH348BAR SN UN77812 MFR MB MADE 2019-05"


def dated(requalified: str | None, inside: str = "2026-01", stamp: DateStamp | None = None) -> c.ReadDates:
    return c.ReadDates(
        key=an_id("dates"), visit_id=VISIT, requalified=requalified, looked_inside=inside, stamp=stamp
    )


def in_(place: str, given: Given, command: c.Command, policy: HousePolicy | None = None) -> Outcome:
    """Decide under the rules of another place, or of another shop."""
    around = replace(given.around(command), rules=load(place), policy=policy or HousePolicy())
    visit_id = getattr(command, "visit_id", None)
    try:
        return Outcome(decide(given.visit(visit_id) if visit_id else None, command, around), ())
    except Refused as refused:
        return Outcome((), refused.reasons)


def after(place: str, given: Given, *asked: c.Command, policy: HousePolicy | None = None) -> Given:
    for command in asked:
        outcome = in_(place, given, command, policy)
        assert not outcome.reasons, outcome.words
        given = given.but(*given.recorded(outcome.facts))
    return given


def typed(text: str, marks: Marks) -> c.Identify:
    return c.Identify(key=an_id("identify"), visit_id=VISIT, marks=marks, shoulder=text)


# What the date on the metal means


def test_where_the_rules_do_not_say_what_the_stamp_means_it_is_asked() -> None:
    given = after("eu", Given(), greet(), identify(ISO), look_over())
    in_("eu", given, dated("2024-03")).is_refused_for("dates.kind-unsaid")


@pytest.mark.parametrize(
    ("kind", "month", "rule_ids"),
    [
        ("tested", "2024-03", ()),
        ("tested", "2021-05", ("eu.requalification.overdue",)),  # 5 years, as is typical: trade pages.
        ("expires", "2026-06", ()),  # To the last day of the month that is stamped.
        ("expires", "2026-05", ("eu.requalification.overdue",)),
        ("expires", "2029-03", ()),
        ("expires", "2032-03", ("eu.date.impossible",)),  # Farther ahead than any period reaches.
    ],
)
def test_a_test_date_and_an_expiry_date_count_differently(
    kind: str, month: str, rule_ids: tuple[str, ...]
) -> None:
    stamp = DateStamp.model_validate({"kind": kind})
    asked = (greet(), identify(ISO), look_over(), dated(month, stamp=stamp), read_rating(bar(232)))
    outcome = in_("eu", after("eu", Given(), *asked), see_standing())
    assert {one.rule_id for one in outcome.reasons} == set(rule_ids)


def test_a_first_test_alone_is_a_test_and_nobody_is_asked() -> None:
    young = marked(spec="ISO 9809-1", first_test="2023-05")
    given = after("eu", Given(), greet(), identify(young), look_over(), dated(None), read_rating(bar(232)))
    in_("eu", given, see_standing()).makes(f.StandingSeen)


def test_an_expiry_date_is_not_counted_where_the_stamp_is_a_test() -> None:
    expires = DateStamp(kind="expires")
    given = Given((registered(),)).do(greet(), identify(), look_over())
    given.when(dated("2024-03", stamp=expires)).is_refused_for("dates.kind")
    given.when(dated("2029-03", stamp=expires)).is_refused_for("dates.requalified-ahead")


def test_the_latest_test_typed_off_the_shoulder_is_the_one_to_key() -> None:
    text = "DOT-3AL3000 SN B0471 MFR LX MADE 2019-03 TEST 03 A123 2024"
    given = Given((registered(),)).do(greet(), typed(text, MARKS), look_over())
    given.when(dated("2023-03")).is_refused_for("dates.differs-from-shoulder")
    given.when(dated(None)).is_refused_for("dates.differs-from-shoulder")
    given.when(dated("2024-03")).makes(f.DatesRead)


# Signs behind the date


@pytest.mark.parametrize(
    ("signs", "rule_id"),
    [
        (("★",), "us.mark.star"),  # 49 CFR 180.213(f)(2), 2015 edition.
        (("E",), "us.mark.outside"),  # 49 CFR 180.213(f)(5), 2015 edition.
        (("+", "★"), "us.mark.star"),
    ],
)
def test_a_sign_that_is_not_for_scuba_stops(signs: tuple[str, ...], rule_id: str) -> None:
    stamp = DateStamp.model_validate({"signs": signs})
    given = steel().do(dated("2024-03", stamp=stamp), read_rating())
    given.when(see_standing()).is_refused_for(rule_id)


def steel() -> Given:
    """A steel cylinder at its dates."""
    marks = marked(serial="123456", maker="ABC", spec="3AA", first_test="1966-05")
    return Given().do(greet(), identify(marks), look_over())


def test_a_star_behind_an_older_date_is_over_with_the_next_test() -> None:
    marks = marked(serial="123456", maker="ABC", spec="3AA", first_test="1966-05")
    text = "ICC-3AA2250 SN 123456 MFR ABC MADE 1966-05 TEST 04 B456 2014★ TEST 04 B456 2024"
    given = Given().do(greet(), typed(text, marks), look_over(), dated("2024-04"), read_rating(psi(2250)))
    given.when(see_standing()).makes(f.StandingSeen)


def test_a_plus_belongs_to_its_test_date_and_is_told() -> None:
    stamp = DateStamp(plus_after="2019-03")
    given = steel().do(dated("2024-03", stamp=stamp), read_rating(psi(2250)))
    told = [one for one in judged(given.visit(), given.around(see_standing())) if "plus" in one.rule_id]
    assert [(one.rule_id, one.bearing) for one in told] == [("us.plus.date", "tell")]


def test_a_plus_never_lets_a_fill_go_above_the_rating() -> None:
    stamp = DateStamp(signs=("+",))
    given = steel().do(dated("2024-03", stamp=stamp), read_rating(psi(2250)), see_standing())
    given = given.do(send_people_out(), blow_out(), connect_whip(), read_residual())
    given.when(authorise(psi(2475))).is_refused_for("us.fill.limit", "us.plus.conditions")
    given.when(authorise(psi(2250))).makes(f.FillAuthorised)


def test_no_plus_is_later_than_the_latest_date() -> None:
    steel().when(dated("2024-03", stamp=DateStamp(plus_after="2025-01"))).is_refused_for("dates.plus-ahead")


def test_a_plus_on_aluminium_is_looked_into_by_an_inspector_before_it_goes_on() -> None:
    stamp = DateStamp(signs=("+",))
    given = up_to("dates").do(dated("2024-03", stamp=stamp), read_rating())
    given.when(see_standing()).is_refused_for("us.fill.plus")
    answered = c.SeeStanding(
        key=an_id("standing"),
        visit_id=VISIT,
        looked_into=f.LookedInto(rule_ids=("us.fill.plus",), finding="A scratch, no plus"),
    )
    given.when(answered).is_refused_for("bench.inspector")
    seen = given.by(INSPECTOR).when(answered).makes(f.StandingSeen)[0].fact
    assert isinstance(seen, f.StandingSeen)
    assert seen.looked_into is not None
    ready = given.by(INSPECTOR).do(answered).by(OPERATOR)
    ready = ready.do(send_people_out(), blow_out(), connect_whip(), read_residual())
    ready.when(authorise()).makes(f.FillAuthorised)


def test_an_inspectors_words_answer_no_refusal() -> None:
    given = up_to("dates").do(dated("2021-05"), read_rating()).by(INSPECTOR)
    answered = c.SeeStanding(
        key=an_id("standing"),
        visit_id=VISIT,
        looked_into=f.LookedInto(rule_ids=("us.requalification.overdue",), finding="Looks fine"),
    )
    given.when(answered).is_refused_for("us.requalification.overdue", "standing.not-asked")


# Old aluminium, UN marks, permits, the shop's own rules, who fills


def test_old_aluminium_is_taken_for_6351_until_eddy_current_is_shown() -> None:
    """US DOT notice 94-7, second-hand: a 3AL made before February 1990 is taken for alloy 6351-T6."""
    old = marked(first_test="1988-03")
    given = Given((registered(marks=old),)).do(greet(), identify(old), look_over())
    without = given.do(dated("2024-03"), read_rating())
    without.when(see_standing()).is_refused_for("us.alloy.eddy_current")
    with_it = given.do(dated("2024-03", stamp=DateStamp(signs=("VE",))), read_rating())
    with_it.when(see_standing()).makes(f.StandingSeen)


def test_a_un_cylinder_shows_its_country_of_approval() -> None:
    """49 CFR 171.23(a)(2)(iv), 2015 edition: USA; Canada's CAN second-hand."""
    for text, rule_ids in ((UN, set()), ("", {"us.spec.un_country"})):
        given = Given().do(greet(), typed(text, ISO), look_over(), dated("2024-05"), read_rating(bar(232)))
        assert {one.rule_id for one in given.when(see_standing()).reasons} == rule_ids


def test_a_permit_is_judged_by_what_somebody_read_in_it_and_by_no_other() -> None:
    marks = marked(serial="AB123", maker="QQ", spec="DOT-SP 14157", first_test="2020-05")
    asked = (greet(), identify(marks), look_over(), dated("2022-05"), read_rating())
    read = HousePolicy(permits=(Permit("14157", requalify_every_months=60, life_months=180),))
    other = HousePolicy(permits=(Permit("99999", requalify_every_months=60),))
    given = after("us", Given(), *asked)
    in_("us", given, see_standing()).is_refused_for("us.spec.permit_period")
    in_("us", given, see_standing(), other).is_refused_for("us.spec.permit_period")
    in_("us", given, see_standing(), read).makes(f.StandingSeen)
    short = HousePolicy(permits=(Permit("14157", requalify_every_months=36),))
    in_("us", given, see_standing(), short).is_refused_for("us.requalification.overdue")


def test_the_shops_own_rules_stop_what_the_law_lets_pass() -> None:
    given = up_to("standing")
    given.when(see_standing()).makes(f.StandingSeen)
    strict = HousePolicy(store=StorePolicy(requalify_every_months=12))
    refused = in_("us", given, see_standing(), strict).is_refused_for("house.requalification")
    assert refused[0].source == "This shop's rules"


def test_who_may_fill_is_told_with_its_source_and_asked_at_the_whip() -> None:
    given = Given((registered(),)).do(greet(GasWanted(oxygen_percent=32), nitrox=True), identify())
    lines = who_fills(given.visit(), given.around(look_over()))
    assert [one.rule_id for one in lines] == ["us.filler.mixes"]  # 29 CFR 1910 subpart T App. C 6(a).


# Filled before due


def test_filled_before_due_it_is_used_until_empty_and_not_filled_again() -> None:
    """49 CFR 180.205(c), 2015 edition. Tested in June 2021, filled on the last day of June 2026."""
    last, next_day = dt.datetime(2026, 6, 30, 9, tzinfo=dt.UTC), dt.datetime(2026, 7, 1, 9, tzinfo=dt.UTC)
    filled = replace(up_to("dates"), now=last).do(dated("2021-06"), read_rating(), see_standing())
    filled = filled.do(send_people_out(), blow_out(), connect_whip(), read_residual())
    filled.when(authorise()).makes(f.FillAuthorised)
    again = replace(filled, now=next_day)
    assert "us.requalification.overdue" in {one.rule_id for one in again.when(authorise()).reasons}
    told = until_empty(again.visit(), again.around(authorise()), last.date())
    assert [(one.rule_id, one.bearing) for one in told] == [("us.requalification.filled_before_due", "tell")]
    late = until_empty(again.visit(), again.around(authorise()), next_day.date())
    assert [(one.rule_id, one.bearing) for one in late] == [("us.requalification.filled_overdue", "hold")]


# Nothing that was stopped may pass


def stopped_before(state: Visit, around: Around) -> set[str]:
    """The gate on dates as it was when nothing else of the rulebook was asked, kept here to compare with."""
    assert state.dates is not None
    assert state.marks is not None
    standing = around.standing
    months = [state.dates.requalified, standing.requalified if standing else None]
    inside = [state.dates.looked_inside, standing.looked_inside if standing else None]
    claims = (state.marks, *(standing.marks if standing else ()))
    latest = max((one for one in months if one), default=min(claim.first_test for claim in claims))
    looked = max((one for one in inside if one), default=None)
    found = [
        finding
        for spec in specs_claimed(around.rules, claims) or (state.marks.spec,)
        for finding in judge_requalification(around.rules, spec, YearMonth.parse(latest), around.today)[0]
    ]
    found += judge_visual(around.rules, YearMonth.parse(looked) if looked else None, around.today)[0]
    return {finding.rule_id for finding in found if finding.bearing != "tell"}


PLACES = ("us", "ca", "uk", "eu", "no", "au", "nz", "za")
SPECS = ("3AL", "3AA", "3HT", "DOT-SP 14157", "ISO 9809-1", "ISO 7866", "TC-3ALM", "EN 1964-1", "BS 5045/1")
MONTHS = ("2008-02", "2016-06", "2021-05", "2021-06", "2023-11", None)
INSIDE = ("2023-12", "2025-05", "2025-06", "2026-05", None)
STAMPS = (None, DateStamp(kind="tested", signs=("+",)), DateStamp(kind="expires"))
OPENED = {"stamp.which", "spec.permit_period"}
"""What the new answers answer: what the date means, and the permit that somebody read."""


@pytest.mark.parametrize("place", PLACES)
def test_nothing_passes_now_that_the_dates_stopped_before(place: str) -> None:
    policy = HousePolicy(permits=(Permit("14157", requalify_every_months=60),))
    around = Around(
        now=dt.datetime.combine(TODAY, dt.time(9), dt.UTC),
        today=TODAY,
        actor=OPERATOR,
        rules=load(place),
        policy=policy,
    )
    compared = 0
    for spec, requalified, inside, stamp in product(SPECS, MONTHS, INSIDE, STAMPS):
        state = Visit(
            id=VISIT,
            node=HERE,
            marks=marked(spec=spec, first_test="2005-01"),
            outside=f.OutsideLookedOver(visit_id=VISIT, sound=True),
            dates=f.DatesRead(visit_id=VISIT, requalified=requalified, looked_inside=inside, stamp=stamp),
            rating=f.RatingRead(visit_id=VISIT, rated=bar(200)),
        )
        if stamp is not None and stamp.kind == "expires" and around.rules.stamped_date == "test":
            continue  # Never recorded: `dates.kind`.
        before = stopped_before(state, around)
        now = {one.rule_id for one in judged(state, around) if one.bearing != "tell"}
        compared += bool(before)
        missing = {one for one in before - now if one.partition(".")[2] not in OPENED}
        if requalified is not None and (stamp is None or stamp.kind is None):
            missing |= {one for one in before - now if one.endswith("stamp.which")}
        assert not missing, (spec, requalified, inside, stamp)
    assert compared > 50
