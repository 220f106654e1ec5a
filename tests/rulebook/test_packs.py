"""A pack is data with sources: a line without one is refused, with every other fault, before anything is judged."""

import re
from importlib import resources

import pytest

from rulebook import Criterion, PackIsFaulty, Rule, UnknownJurisdiction, jurisdictions, load, read_pack


def us_text() -> str:
    return resources.files("rulebook").joinpath("packs", "us.toml").read_text(encoding="utf-8")


def faults_of(text: str) -> tuple[str, ...]:
    with pytest.raises(PackIsFaulty) as refused:
        read_pack("us", text)
    return refused.value.problems


def with_change(before: str, after: str) -> str:
    text = us_text()
    assert before in text, "the planted fault must hit something"
    return text.replace(before, after, 1)


@pytest.mark.parametrize("jurisdiction", jurisdictions())
def test_every_pack_at_hand_can_be_loaded(jurisdiction: str) -> None:
    pack = load(jurisdiction)
    assert pack.jurisdiction == jurisdiction
    assert pack.caution


@pytest.mark.parametrize("name", ["", "atlantis", "US", "../us", "us.toml"])
def test_an_unknown_jurisdiction_is_refused_and_the_known_ones_named(name: str) -> None:
    with pytest.raises(UnknownJurisdiction, match="there are rules for au, ca, eu, no, nz, uk, us, za"):
        load(name)


@pytest.mark.parametrize("jurisdiction", jurisdictions())
def test_every_line_cites_its_source_and_no_practice_poses_as_law(jurisdiction: str) -> None:
    pack = load(jurisdiction)
    lines: list[Rule | Criterion] = [
        *pack.rules,
        *(spec.rule for spec in pack.specifications),
        *pack.criteria,
    ]
    assert all(line.citation() for line in lines)
    for line in lines:
        if "no source" in line.source:
            assert line.standing == "common practice", line.id
        if line.standing == "law":
            assert re.search(r"CFR|Transport Canada|Norwegian|WorkSafe|PHMSA|Department", line.source), (
                line.id
            )


def test_all_faults_are_told_at_once() -> None:
    text = us_text()
    text = text.replace('source = "49 CFR"\nclause = "173.301a(c)"', 'clause = "173.301a(c)"', 1)
    text = text.replace("amounts = { months = 12 }", "amounts = { months = nan }", 1)
    text = text.replace('spellings = ["3AA", "DOT3AA", "ICC3AA"]', 'spellings = ["3AL"]', 1)
    faults = faults_of(text)
    assert len(faults) == 3
    assert "rule fill.limit has no source" in faults
    assert "rule visual.overdue has an amount that is not a number above zero" in faults
    assert "specification 3AA shares the spelling 3AL with specification 3AL" in faults


@pytest.mark.parametrize(
    ("before", "after", "fault"),
    [
        ('id = "residual.low"', 'id = "residual.tiny"', "rule residual.low is missing"),
        ("amounts = { psi = 100, bar = 7 }", "amounts = { psi = 100 }", "no amount in bar"),
        ("amounts = { percent = 10 }", "amounts = { percent = 0 }", "not a number above zero"),
        ('standing = "law"', 'standing = "gossip"', "standing 'gossip'"),
        ('clause = "173.301(a)(6)"', 'clause = "none"', "names no clause"),
        ('edition = "2015 annual edition"', 'edition = " "', "has no edition"),
        ("requalify_every_months = 60", "requalify_every_months = 0", "no requalification period"),
        ("requalify_every_months = 60", "requalify_every_months = 60.5", "no requalification period"),
        ("requalify_every_months = 60", "requalify_every_month = 60", "unknown field"),
        ('stamped_in = "psi"', 'stamped_in = "kPa"', "psi or bar"),
        ('tells = ["spec.3ht_life"]', 'tells = ["spec.3ht_lives"]', "is not there"),
        ('tells = ["spec.3ht_life"]', "tells = [7]", "not a list of words"),
        ("may_carry_plus = true", 'may_carry_plus = "yes"', "neither true nor false"),
        ("test_ratio = [5, 3]", "test_ratio = [5, 0]", "test ratio"),
        ('outcome = "condemn"', 'outcome = "forgive"', "no outcome"),
        ('metal = "aluminium"', 'metal = "tin"', "no metal"),
        ('id = "condemn.cracking"', 'id = "condemn.wall_leak"', "is there twice"),
        ("numbered = true", "numbered = true\nrequalify_every_months = 60", "only its permit can tell"),
        ('enough = "no"', 'enough = "perhaps"', "does not say whether it is enough"),
        ('symbol = "FS"', 'symbol = "E"', "shares its symbol"),
        ("at_most = 20", 'at_most = "few"', "at_most that is not a number"),
        ('paper = "mix training"', 'paper = "driving licence"', "no paper out of"),
        ('defect = "leak"', 'defect = "rattle"', "no form asks for"),
        ("from = 343", "under = 343", "needs a measure together with"),
        ('includes = ["counter",', 'includes = ["../us",', "which is not there"),
        ('approval_rule = "spec.un_country"', 'approval_rule = "spec.nobody"', "by a rule that is not there"),
        ("life_months = 180", "life_months = -1", "life_months that is not whole months"),
        ('id = "condemn.cracking"', 'id = "condemn.bulge"', "criterion condemn.bulge is there twice"),
        ('jurisdiction = "us"', 'jurisdiction = "us"\nstamped_date = "both"', "stamped_date"),
        ('jurisdiction = "us"', 'jurisdiction = "uk"', "jurisdiction 'uk'"),
        ('caution = "These', 'warning = "These', "unknown part 'warning'"),
        ('words = "United', "words = United", "not TOML"),
    ],
)
def test_a_planted_fault_is_named(before: str, after: str, fault: str) -> None:
    assert any(fault in problem for problem in faults_of(with_change(before, after)))


def test_an_empty_file_is_no_pack() -> None:
    faults = faults_of("")
    assert "the pack has no rule" in faults
    assert "the pack has no caution" in faults
