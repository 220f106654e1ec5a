"""A shop's own rules only tighten, and so does everything else that may be added to a pack."""

from dataclasses import replace
from datetime import date
from importlib import resources

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.rulebook.a_cylinder import good_in

from gas.mixture import Mix
from gas.pressure import Pressure
from rulebook import (
    Asked,
    Pack,
    PackIsFaulty,
    PolicyIsFaulty,
    StorePolicy,
    YearMonth,
    is_in_the_way,
    judge,
    jurisdictions,
    load,
    read_pack,
    read_policy,
)
from rulebook.pack import Amount, Rule, Specification

US = load("us")
MONTHS = st.builds(YearMonth, st.integers(1990, 2026), st.integers(1, 12))

POLICIES = st.builds(
    StorePolicy,
    source=st.just("Harbour rules"),
    edition=st.just("2026"),
    requalify_every_months=st.none() | st.integers(1, 400),
    look_inside_every_months=st.none() | st.integers(1, 400),
    oxygen_clean_above_percent=st.none() | st.floats(0, 100),
    highest_oxygen_percent=st.none() | st.floats(0, 100),
    refuses_plus=st.booleans(),
    refuses_alloy_6351=st.booleans(),
    refused_specs=st.lists(st.sampled_from(["3AL", "ISO 7866", "3AA", "nonsense"]), max_size=3).map(tuple),
)


@st.composite
def questions(draw: st.DrawFn) -> tuple[Pack, Asked]:
    jurisdiction = draw(st.sampled_from(jurisdictions()))
    good = good_in(jurisdiction)
    tested = draw(st.none() | MONTHS)
    asked = replace(
        good,
        spec=draw(st.sampled_from([good.spec, "3AA", "ISO 9809-1", "DOT-SP 1234", "3AK"])),
        gas=draw(st.sampled_from([Mix(0.21), Mix(0.32), Mix(0.4), Mix(0.5), Mix(1.0), Mix(0.18, 0.45)])),
        target=Pressure(good.rated.value * draw(st.sampled_from([0.5, 1.0, 1.1, 1.2])), good.rated.unit),
        today=draw(st.dates(date(2026, 12, 31), date(2040, 1, 1))),
        requalified=tested,
        looked_inside=draw(st.none() | MONTHS),
        manufactured=draw(st.none() | MONTHS),
        stamp=draw(st.sampled_from([None, "tested", "expires"])),
        plus_after=draw(st.sampled_from([None, tested])),
        are_plus_conditions_met=draw(st.booleans()),
        alloy=draw(st.sampled_from(["6351-T6", "other", "not known"])),
        eddy_current_at_latest_test=draw(st.none() | st.booleans()),
        looks_sound=draw(st.none() | st.booleans()),
        is_low_risk=draw(st.none() | st.booleans()),
        is_heavy_service=draw(st.none() | st.booleans()),
        is_oxygen_clean=draw(st.none() | st.booleans()),
        papers=draw(st.sampled_from([(), good.papers])),
    )
    return load(jurisdiction), asked


def in_the_way(pack: Pack, asked: Asked) -> set[str]:
    return {finding.rule_id for finding in judge(pack, asked) if is_in_the_way(finding)}


@given(questions(), POLICIES)
def test_a_policy_only_adds_findings(question: tuple[Pack, Asked], policy: StorePolicy) -> None:
    pack, asked = question
    by_law = judge(pack, asked)
    here = judge(pack, asked, policy)
    assert [finding for finding in here if finding in by_law] == by_law
    added = [finding for finding in here if finding not in by_law]
    assert all(finding.standing == "house rule" and is_in_the_way(finding) for finding in added)


def shorter(pack: Pack, by: float) -> Pack:
    """The same pack with every period and every limit that a fill may go to cut down."""

    def months(value: int | None) -> int | None:
        return None if value is None else max(1, int(value * by))

    def spec(one: Specification) -> Specification:
        return replace(
            one,
            requalify_every_months=months(one.requalify_every_months),
            first_requalify_months=months(one.first_requalify_months),
            life_months=months(one.life_months),
        )

    def rule(one: Rule) -> Rule:
        if one.id.startswith(("visual.", "oxygen.", "fill.plus")):
            cut = tuple(Amount(max(1.0, amount.number * by), amount.unit) for amount in one.amounts)
            return replace(one, amounts=cut)
        return one

    return replace(
        pack,
        specifications=tuple(spec(one) for one in pack.specifications),
        rules=tuple(rule(one) for one in pack.rules),
    )


@given(questions(), st.floats(0.05, 1.0))
def test_a_stricter_pack_only_adds_refusals(question: tuple[Pack, Asked], by: float) -> None:
    pack, asked = question
    # A date that runs out further ahead than a period was misread; with a shorter period that comes sooner, in other words.
    same_thing = {f"{pack.jurisdiction}.date.impossible", f"{pack.jurisdiction}.requalification.overdue"}
    before, after = in_the_way(pack, asked), in_the_way(shorter(pack, by), asked)
    missing = before - after
    assert missing <= same_thing
    assert not missing or after & same_thing


@given(questions(), st.data())
def test_one_more_rule_told_of_a_kind_takes_nothing_away(
    question: tuple[Pack, Asked], data: st.DataObject
) -> None:
    pack, asked = question
    told = data.draw(st.sampled_from([rule.id for rule in pack.rules]))
    fuller = replace(
        pack, specifications=tuple(replace(one, tells=(*one.tells, told)) for one in pack.specifications)
    )
    assert set(judge(pack, asked)) <= set(judge(fuller, asked))


@given(questions())
def test_without_its_signs_its_papers_and_its_plus_a_cylinder_is_never_better_off(
    question: tuple[Pack, Asked],
) -> None:
    pack, asked = question
    bare = replace(asked, papers=(), are_plus_conditions_met=None, looks_sound=None, is_oxygen_clean=None)
    assert in_the_way(pack, asked) <= in_the_way(pack, bare) | {f"{pack.jurisdiction}.fill.plus"}


def with_standing(text: str, line_id: str, standing: str) -> str:
    """The pack's text with one line given another standing."""
    start = text.index(f'id = "{line_id}"')
    end = text.index("\n\n", start)
    block = text[start:end]
    old = next(line for line in block.splitlines() if line.startswith("standing = "))
    return text[:start] + block.replace(old, f'standing = "{standing}"') + text[end:]


def loaded(jurisdiction: str, text: str) -> tuple[Pack | None, tuple[str, ...]]:
    try:
        return read_pack(jurisdiction, text), ()
    except PackIsFaulty as refused:
        return None, refused.problems


@pytest.mark.parametrize("jurisdiction", jurisdictions())
def test_less_standing_never_opens_a_way(jurisdiction: str) -> None:
    """Each line of the pack's own, turned into a memory: the pack does not load, or it holds back as much as before."""
    file = resources.files("rulebook").joinpath("packs", f"{jurisdiction}.toml")
    text = file.read_text(encoding="utf-8") + "\n"
    pack, good = load(jurisdiction), good_in(jurisdiction)
    overdue = replace(good, today=date(2036, 1, 1))
    unloadable = 0
    for line_id in (*(spec.key for spec in pack.specifications), *(rule.id for rule in pack.rules)):
        if f'id = "{line_id}"' not in text:
            continue
        weaker, problems = loaded(jurisdiction, with_standing(text, line_id, "from memory"))
        if weaker is None:
            assert all("nobody may fill by a memory" in problem for problem in problems)
            unloadable += 1
            continue
        for asked in (good, overdue):
            assert in_the_way(pack, asked) <= in_the_way(weaker, asked)
    assert unloadable >= len(pack.specifications) + 1


def test_a_shop_tightens_the_law() -> None:
    policy = read_policy(
        US,
        """
        source = "Harbour rules"
        edition = "1 March 2026"
        requalify_every_months = 60
        look_inside_every_months = 6
        oxygen_clean_above_percent = 23.5
        highest_oxygen_percent = 40
        refuses_plus = true
        refuses_alloy_6351 = true
        refused_specs = ["UN ISO 9809-1"]
        """,
    )
    un = replace(
        good_in("us"), spec="ISO 9809-1", approval="USA", gas=Mix(0.32), requalified=YearMonth(2020, 1)
    )
    rated = Pressure(232, "bar")
    found = [
        finding
        for finding in judge(US, replace(un, rated=rated, target=rated), policy)
        if is_in_the_way(finding)
    ]
    assert {finding.rule_id for finding in found} == {
        "house.requalification",
        "house.oxygen_clean",
        "house.specification",
    }
    assert found[0].citation() == "Harbour rules, 1 March 2026 (house rule)"


def test_a_looser_policy_is_told_all_its_faults_at_once() -> None:
    with pytest.raises(PolicyIsFaulty) as refused:
        read_policy(
            US,
            """
            requalify_every_months = 240
            look_inside_every_months = 24
            oxygen_clean_above_percent = 60
            highest_oxygen_percent = true
            refuses_plus = "yes"
            refused_specs = ["3AK"]
            allows_everything = true
            """,
        )
    assert refused.value.problems == (
        "there is no such rule as 'allows_everything'",
        "the rules have no source",
        "the rules have no edition",
        "refuses_plus is neither true nor false",
        "refused_specs names '3AK', which is not known here",
        "requalify_every_months of 240 is looser than the 120 of these rules",
        "look_inside_every_months of 24 is looser than the 12 of these rules",
        "oxygen_clean_above_percent of 60 is looser than the 40 of these rules",
        "highest_oxygen_percent is not a percentage",
    )


def test_the_two_thresholds_of_oxygen_are_both_kept_and_the_shop_chooses() -> None:
    # 29 CFR 1910.134(i)(3): above 23.5 %; 29 CFR 1910.430(i)(1): above 40 %; 2015 edition.
    strict = StorePolicy(oxygen_clean_above_percent=23.5)
    asked = replace(good_in("us"), gas=Mix(0.32), is_oxygen_clean=False)
    assert in_the_way(US, asked) == set()
    assert [one.rule_id for one in judge(US, asked, strict) if is_in_the_way(one)] == ["house.oxygen_clean"]
    assert in_the_way(US, replace(asked, gas=Mix(0.41))) == {"us.oxygen.cleaned"}
    assert [
        one for one in judge(US, replace(asked, is_oxygen_clean=True), strict) if is_in_the_way(one)
    ] == []


@pytest.mark.parametrize("text", ["", "source = ", "edition = 3"])
def test_what_is_no_policy_is_none(text: str) -> None:
    with pytest.raises(PolicyIsFaulty):
        read_policy(US, text)
