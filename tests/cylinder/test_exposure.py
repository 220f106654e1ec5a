"""Fills of a cylinder that was found bad: which are called back, once each, and whether the shop could have known."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from uuid import UUID

import pytest
from tests.cylinder.given import (
    HERE,
    INSPECTOR,
    KNOWN,
    NEXT_DOOR,
    OFFICER,
    OTHER,
    TODAY,
    an_id,
    certified,
    condemned,
    failed,
    rejected,
)
from tests.cylinder.histories import (
    LONG_AGO,
    annulled,
    annulment_proposed,
    annulment_seconded,
    clear_on,
    linked,
    revoked,
    withdrawn,
)

from cylinder import facts as f
from cylinder.exposure import (
    BlockAt,
    FillAt,
    Numbered,
    exposure_id,
    exposures_of,
    is_exposed,
    knew,
)
from cylinder.gather import Filed, gather
from cylinder.recorded import HUB, Recorded

BLOCK = BlockAt(an_id("block"), f.Condemned.KIND, NEXT_DOOR, position=50, performed_on=TODAY)
FILL = FillAt(an_id("fill"), HERE, position=60, seen_position=40, performed_on=TODAY)


def test_a_case_has_one_id_however_often_it_is_found() -> None:
    assert exposure_id(BLOCK.id, FILL.id) == exposure_id(BLOCK.id, FILL.id)
    pairs = [(an_id(f"b{b}"), an_id(f"f{n}")) for b in range(20) for n in range(20)]
    assert len({exposure_id(*pair) for pair in pairs}) == 400
    assert exposure_id(BLOCK.id, FILL.id) != exposure_id(FILL.id, BLOCK.id)


@pytest.mark.parametrize(("days", "is_called_back"), [(-1, False), (0, True), (1, True)])
def test_a_fill_from_the_day_of_the_finding_on_is_called_back(days: int, is_called_back: bool) -> None:
    fill = replace(FILL, performed_on=TODAY + dt.timedelta(days=days))
    assert is_exposed(BLOCK, fill) is is_called_back


@pytest.mark.parametrize(
    ("kind", "is_called_back"),
    [
        (f.Condemned.KIND, True), (f.Rejected.KIND, True), (f.RenderedUnusable.KIND, True),
        (f.VisualFailed.KIND, True), (f.HoldPlaced.KIND, False), ("cylinder.from_the_future", False),
    ],
)  # fmt: skip
def test_a_finding_calls_back_and_a_doubt_does_not(kind: str, is_called_back: bool) -> None:
    assert is_exposed(replace(BLOCK, kind=kind), FILL) is is_called_back


@pytest.mark.parametrize(("seen", "did_know"), [(49, False), (50, True), (51, True), (0, False)])
def test_a_shop_knew_when_it_had_read_the_feed_up_to_the_block(seen: int, did_know: bool) -> None:
    assert knew(BLOCK, replace(FILL, seen_position=seen)) is did_know


@pytest.mark.parametrize(("filled_at", "did_know"), [(49, False), (51, True)])
def test_a_shop_knows_what_it_wrote_itself_before_whatever_it_had_read(
    filled_at: int, did_know: bool
) -> None:
    own = replace(FILL, node=NEXT_DOOR, position=filled_at, seen_position=0)
    assert knew(BLOCK, own) is did_know


REJECTED = rejected()
FILLED = FillAt(an_id("filled"), HERE, position=60, seen_position=55, performed_on=TODAY)
REPAIRED = clear_on(KNOWN, f.Requalified(method="proof"), [REJECTED.id], on=TODAY)
TAKEN_ON = certified(INSPECTOR, NEXT_DOOR, on=LONG_AGO)


def cases(*placed: tuple[Recorded, int], fill: FillAt = FILLED, of: UUID = KNOWN) -> list[tuple[UUID, bool]]:
    """The exposures of one fill: which block, and whether the shop knew."""
    filed, places = Filed(), {fact.id: position for fact, position in placed}
    for fact, _ in placed:
        filed.put(fact)
    found = gather(of, filed.look)
    facts, credentials = (
        [Numbered(fact, places[fact.id]) for fact in some] for some in (found.facts, found.credentials)
    )
    return [(one.block.id, one.knew) for one in exposures_of(of, [fill], facts, credentials)]


def test_a_fill_after_a_clear_that_its_shop_held_is_not_called_back() -> None:
    assert cases((TAKEN_ON, 1), (REJECTED, 10), (REPAIRED, 50)) == []
    assert cases((TAKEN_ON, 1), (REJECTED, 10), (REPAIRED, 56)) == [(REJECTED.id, True)]


def test_a_clear_by_nobody_who_may_calls_the_fill_back() -> None:
    assert cases((REJECTED, 10), (REPAIRED, 50)) == [(REJECTED.id, True)]


@pytest.mark.parametrize("news", [withdrawn(INSPECTOR, since=TODAY), revoked(0)])
def test_when_the_proof_of_a_clear_falls_later_the_fill_is_called_back_and_its_shop_could_not_know(
    news: Recorded,
) -> None:
    assert cases((TAKEN_ON, 1), (REJECTED, 10), (REPAIRED, 50), (news, 90)) == [(REJECTED.id, False)]


def test_a_condemnation_that_was_annulled_calls_nothing_back() -> None:
    block = condemned()
    proposed = annulment_proposed(block)
    whole = (block, proposed, annulment_seconded(block, proposed), annulled(block, proposed))
    staff = (certified(OFFICER, HUB, on=LONG_AGO), certified(INSPECTOR, HERE, on=LONG_AGO))
    assert cases(*((fact, 70) for fact in (*staff, *whole))) == []
    assert cases(*((fact, 70) for fact in (*staff, *whole[:3]))) == [(block.id, False)]


def test_a_finding_about_a_linked_record_calls_back_and_was_known_only_with_the_link() -> None:
    other = failed(OTHER)
    assert cases((other, 10)) == []
    assert cases((other, 10), (linked(), 20)) == [(other.id, True)]
    assert cases((other, 10), (linked(), 70)) == [(other.id, False)]
