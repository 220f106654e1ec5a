"""Good news counts by who said it, on which day, and in whose hands the key was. Bad news counts always."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from tests.cylinder.given import (
    HERE,
    INSPECTOR,
    KNOWN,
    MANAGER,
    NEXT_DOOR,
    OFFICER,
    a_fact,
    an_id,
    certified,
    held,
    origin,
    psi,
)
from tests.cylinder.histories import (
    LATELY,
    LONG_AGO,
    YESTERDAY,
    clear_on,
    filed,
    lifted,
    revoked,
    suspected,
    withdrawn,
)

from cylinder import facts as f
from cylinder.clearing import CLEARED_BY
from cylinder.facts import Fact, UnknownFact
from cylinder.recorded import HUB, Origin, Recorded
from cylinder.standing import Standing

INSPECTORS = (certified(INSPECTOR, on=LONG_AGO),)


def released(*, on: dt.date = YESTERDAY, at: Origin | None = None) -> Recorded:
    return clear_on(KNOWN, f.HoldReleased(finding="Clean"), [held().id], on=on, at=at)


def found(*facts: Recorded) -> Standing:
    return filed((held(), *facts)).standing(KNOWN)


def test_a_release_by_an_inspector_of_that_shop_lifts_the_hold() -> None:
    assert found(*INSPECTORS, released()).is_clear


def test_a_role_that_nobody_put_on_record_is_a_word_in_a_header() -> None:
    assert not found(released()).is_clear


def test_an_inspector_of_another_shop_is_none_here_but_one_of_the_hub_is_one_everywhere() -> None:
    assert not found(certified(INSPECTOR, HERE, on=LONG_AGO), released()).is_clear
    assert found(certified(INSPECTOR, HUB, on=LONG_AGO), released()).is_clear


def test_nobody_judges_before_the_day_they_were_taken_on() -> None:
    taken_on = certified(INSPECTOR, on=YESTERDAY)
    assert not found(taken_on, released(on=LATELY)).is_clear
    assert found(taken_on, released(on=YESTERDAY)).is_clear


@pytest.mark.parametrize(("until", "is_clear"), [(YESTERDAY, True), (LATELY, False), (None, True)])
def test_a_certificate_is_good_to_the_end_of_its_last_day(until: dt.date | None, is_clear: bool) -> None:
    assert found(certified(INSPECTOR, on=LONG_AGO, until=until), released()).is_clear is is_clear


def test_the_last_word_before_the_day_counts_and_of_that_very_day_any() -> None:
    no_longer = certified(replace(INSPECTOR, role="manager"), on=LATELY)
    assert not found(*INSPECTORS, no_longer, released()).is_clear
    assert found(*INSPECTORS, no_longer, released(on=LATELY - dt.timedelta(days=1))).is_clear
    that_day = certified(INSPECTOR, on=YESTERDAY), certified(replace(INSPECTOR, role="manager"), on=YESTERDAY)
    assert found(*that_day, released()).is_clear


def test_a_withdrawal_voids_what_is_done_from_its_day_on_and_brings_the_hold_back() -> None:
    gone = withdrawn(INSPECTOR, since=YESTERDAY)
    assert not found(*INSPECTORS, released(), gone).is_clear
    assert found(*INSPECTORS, released(on=YESTERDAY - dt.timedelta(days=1)), gone).is_clear


def test_a_withdrawal_at_another_shop_says_nothing_here_but_the_hubs_does() -> None:
    assert found(*INSPECTORS, released(), withdrawn(INSPECTOR, HERE, since=LONG_AGO)).is_clear
    assert not found(*INSPECTORS, released(), withdrawn(INSPECTOR, HUB, since=LONG_AGO)).is_clear


def test_who_is_certified_again_on_a_later_day_judges_again_unless_the_hub_withdrew_them() -> None:
    again = certified(INSPECTOR, on=YESTERDAY, name="again")
    assert found(*INSPECTORS, withdrawn(INSPECTOR, since=LATELY, on=LATELY), again, released()).is_clear
    by_hub = withdrawn(INSPECTOR, HUB, since=LATELY, on=LATELY)
    assert not found(*INSPECTORS, by_hub, again, released()).is_clear
    assert found(*INSPECTORS, by_hub, certified(INSPECTOR, HUB, on=YESTERDAY), released()).is_clear


def test_a_stolen_key_clears_nothing_above_the_cut_and_nothing_in_another_log() -> None:
    cut = revoked(5)
    assert found(*INSPECTORS, cut, released(at=origin(NEXT_DOOR, 5))).is_clear
    assert not found(*INSPECTORS, cut, released(at=origin(NEXT_DOOR, 6))).is_clear
    assert not found(*INSPECTORS, cut, released(at=origin(NEXT_DOOR, 5, log="second"))).is_clear
    assert found(*INSPECTORS, cut, released(at=origin(NEXT_DOOR, 6, key="second"))).is_clear


def test_a_stolen_key_certifies_nobody_above_the_cut() -> None:
    forged = certified(INSPECTOR, on=LONG_AGO, at=origin(NEXT_DOOR, 6))
    assert not found(forged, revoked(5), released(at=origin(NEXT_DOOR, 3))).is_clear


def test_a_block_under_a_revoked_key_still_blocks() -> None:
    condemned = a_fact(UnknownFact(kind="cylinder.condemned", version=9), "late", at=origin(NEXT_DOOR, 99))
    late = replace(condemned, kind=f.Condemned.KIND, effect="block")
    assert found(*INSPECTORS, released(), revoked(), late).is_condemned


def test_a_suspicion_waits_for_a_person_and_a_revocation_is_for_ever() -> None:
    clone, stolen = suspected(0), revoked(0)
    clear = released(at=origin(NEXT_DOOR, 4))
    assert not found(certified(INSPECTOR, HUB, on=LONG_AGO), clone, clear).is_clear
    assert found(certified(INSPECTOR, HUB, on=LONG_AGO), clone, clear, lifted(clone)).is_clear
    assert not found(certified(INSPECTOR, HUB, on=LONG_AGO), stolen, clear, lifted(stolen)).is_clear


def test_only_the_hub_speaks_of_keys() -> None:
    by_a_shop = replace(revoked(), origin=origin(HERE))
    assert found(*INSPECTORS, released(), by_a_shop).is_clear
    lifted_by_a_shop = replace(lifted(suspected()), origin=origin(NEXT_DOOR))
    assert not found(*INSPECTORS, released(), suspected(), lifted_by_a_shop).is_clear


def test_of_the_day_they_left_what_stands_before_the_withdrawal_in_the_same_log_still_counts() -> None:
    left = replace(withdrawn(INSPECTOR, since=YESTERDAY, on=YESTERDAY), origin=origin(NEXT_DOOR, 40))
    before, after = (released(at=origin(NEXT_DOOR, seq)) for seq in (39, 41))
    assert found(*INSPECTORS, before, left).is_clear
    assert not found(*INSPECTORS, after, left).is_clear
    other_log = released(at=origin(NEXT_DOOR, 39, log="second"))
    assert not found(*INSPECTORS, other_log, left).is_clear
    # From an earlier day on, nothing of the day of leaving counts, wherever it stands.
    since_long = replace(withdrawn(INSPECTOR, since=LONG_AGO, on=YESTERDAY), origin=origin(NEXT_DOOR, 40))
    assert not found(*INSPECTORS, before, since_long).is_clear


@pytest.mark.parametrize("doubt", [revoked(), suspected(), withdrawn(INSPECTOR)])
def test_a_doubt_from_newer_software_is_a_doubt(doubt: Recorded) -> None:
    newer = replace(doubt, fact=UnknownFact(kind=doubt.kind, version=2))
    assert not found(*INSPECTORS, released(), newer).is_clear


def test_what_is_not_proven_may_block_but_never_clears_dates_or_rates() -> None:
    passed = a_fact(
        f.VisualPassed(rated=psi(3000)), "passed", at=origin(NEXT_DOOR, proven=False), clears=(held().id,)
    )
    seen = found(*INSPECTORS, passed)
    assert (seen.is_clear, seen.looked_inside, seen.rated) == (False, None, None)
    hold = replace(held(), id=an_id("unproven"), origin=origin(NEXT_DOOR, proven=False))
    assert hold.id in {block.id for block in found(hold).blocks}


def test_an_id_with_two_contents_is_good_news_in_neither() -> None:
    other = replace(released(), fact=f.HoldReleased(finding="Something else"))
    assert not found(*INSPECTORS, released(), other).is_clear


def test_the_same_fact_in_a_new_incarnation_is_the_same_fact() -> None:
    again = replace(released(), origin=origin(NEXT_DOOR, 2, log="second"))
    assert found(*INSPECTORS, released(), again).is_clear
    assert found(*INSPECTORS, released(), again).facts == 2


RECALLED = a_fact(f.Recalled(campaign="R-1", reason="Neck threads"), "recalled", actor=OFFICER, node=HUB)
STOLEN = a_fact(f.ReportedStolen(reason="Taken from a car"), "stolen", actor=MANAGER)
CLOSED = f.StolenReportClosed(finding="Back with its owner")


def test_a_recall_is_lifted_by_its_remedy_and_by_no_inspection() -> None:
    remedied = clear_on(KNOWN, f.Remedied(campaign="R-1", finding="Gauged"), [RECALLED.id])
    passed = clear_on(KNOWN, f.Requalified(method="proof"), [RECALLED.id])
    assert [block.words for block in filed([*INSPECTORS, RECALLED, passed]).standing(KNOWN).blocks] == [
        "Recalled"
    ]
    assert filed([*INSPECTORS, RECALLED, remedied]).standing(KNOWN).is_clear


def test_a_report_of_theft_is_closed_by_an_officer_at_the_hub_only() -> None:
    officers = (certified(OFFICER, HUB, on=LONG_AGO), certified(OFFICER, NEXT_DOOR, on=LONG_AGO))
    at_hub = clear_on(KNOWN, CLOSED, [STOLEN.id], by=OFFICER, node=HUB)
    at_shop = clear_on(KNOWN, CLOSED, [STOLEN.id], by=OFFICER)
    by_inspector = clear_on(KNOWN, CLOSED, [STOLEN.id])
    assert not filed([*officers, *INSPECTORS, STOLEN, at_shop, by_inspector]).standing(KNOWN).is_clear
    assert filed([*officers, STOLEN, at_hub]).standing(KNOWN).is_clear


BLOCKS: dict[str, Fact] = {
    f.HoldPlaced.KIND: f.HoldPlaced(reason="x"),
    f.VisualFailed.KIND: f.VisualFailed(findings="x"),
    f.Rejected.KIND: f.Rejected(reason="x", criterion_id="x", clause="x"),
    f.RenderedUnusable.KIND: f.RenderedUnusable(how="x"),
    f.Recalled.KIND: f.Recalled(campaign="x", reason="x"),
    f.ReportedStolen.KIND: f.ReportedStolen(reason="x"),
}
CLEARS: tuple[Fact, ...] = (
    f.HoldReleased(finding="x"),
    f.VisualPassed(),
    f.Requalified(method="proof"),
    f.Remedied(campaign="x", finding="x"),
)


@pytest.mark.parametrize("kind", sorted(BLOCKS))
@pytest.mark.parametrize("clear", CLEARS)
def test_an_inspector_lifts_what_the_table_says_and_nothing_else(kind: str, clear: Fact) -> None:
    block = a_fact(BLOCKS[kind], "block")
    seen = filed([*INSPECTORS, block, clear_on(KNOWN, clear, [block.id])]).standing(KNOWN)
    assert seen.is_clear is ("inspector" in CLEARED_BY[kind].get(clear.KIND, ()))


def test_every_kind_that_blocks_has_its_line_in_the_table() -> None:
    assert {kind.KIND for kind in f.KINDS.values() if kind.EFFECT == "block"} == set(CLEARED_BY)
