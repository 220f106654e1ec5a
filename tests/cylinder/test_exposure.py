"""Fills of a cylinder that was found bad: which are called back, once each, and whether the shop could have known."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from tests.cylinder.given import HERE, NEXT_DOOR, TODAY, an_id

from cylinder import facts as f
from cylinder.exposure import BlockAt, FillAt, exposure_id, is_exposed, knew

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
