"""The board's view of the floor, from visits and standings alone."""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import replace

import pytest

from branch.floor import Board, against, board, short_gas
from cylinder.facts import (
    Condemned,
    FillAuthorised,
    FillCompleted,
    GasAnalysed,
    HoldPlaced,
    RatingRead,
    StandingSeen,
)
from cylinder.marks import GasWanted, KeyedPressure, Marks
from cylinder.standing import Block, Standing
from cylinder.visit import Reading, Visit

MORNING = dt.datetime(2026, 6, 15, 9, 30, tzinfo=dt.UTC)
CYLINDER = uuid.UUID(int=7)
MARKS = Marks(serial="K40718", maker="ZQ", spec="3AL", first_test="2021-07")


def psi(value: float) -> KeyedPressure:
    return KeyedPressure(value=value, unit="psi")


VISIT_ID = uuid.UUID(int=1)
NEW = Visit(id=VISIT_ID, tag=14, received_at=MORNING, version=1)
KNOWN = replace(NEW, cylinder_id=CYLINDER, marks=MARKS)
READ = replace(KNOWN, rating=RatingRead(visit_id=VISIT_ID, rated=psi(3000)))
SEEN = replace(READ, standing_seen=StandingSeen(visit_id=VISIT_ID, news_age_s=3))
ON_WHIP = replace(SEEN, whip=2, residual=psi(620))
FILLING = replace(
    ON_WHIP,
    authorised=FillAuthorised(visit_id=VISIT_ID, target=psi(3000), rated=psi(3000)),
    readings=(Reading(MORNING, psi(620)), Reading(MORNING, psi(1500))),
)
COMPLETED = FillCompleted(
    visit_id=VISIT_ID, end=psi(2900), start=psi(620), target=psi(3000), rated=psi(3000), gas=GasWanted()
)
DONE = replace(FILLING, completed=COMPLETED)
TAPED = replace(DONE, is_bled=True, is_taped=True, slot=3)


def block(kind: str) -> Block:
    return Block(
        id=uuid.uuid4(), kind=kind, words="Condemned", reason="Crack", node="reef", actor="p-1",
        performed_on=MORNING.date(), at=MORNING,
    )  # fmt: skip


def standing(*kinds: str) -> Standing:
    return Standing(cylinder_id=CYLINDER, marks=(MARKS,), blocks=tuple(block(kind) for kind in kinds))


def of(*visits: Visit, found: Standing | None = None, whips: int = 2, slots: int = 5) -> Board:
    return board(visits, {CYLINDER: found} if found else {}, whips=whips, slots=slots)


@pytest.mark.parametrize(
    ("visit", "state", "note"),
    [
        (NEW, "waiting", "not read"),
        (replace(NEW, gas=GasWanted(oxygen_percent=32)), "waiting", "EAN32"),
        (KNOWN, "bench", "not read"),
        (READ, "bench", "3000"),
        (SEEN, "ready", "3000"),
        (ON_WHIP, "whip", "3000"),
        (FILLING, "whip", "3000"),
        (DONE, "hot", "3000"),
        (TAPED, "full", "2900"),
        (replace(DONE, gas=GasWanted(oxygen_percent=32)), "analyse", "EAN32 3000"),
        (
            replace(
                DONE,
                gas=GasWanted(oxygen_percent=32),
                analysed=GasAnalysed(visit_id=VISIT_ID, oxygen_percent=31.8),
            ),
            "hot",
            "EAN32 3000",
        ),
        (replace(TAPED, held="Valve leaks"), "hold", "2900"),
    ],
)
def test_a_tile_says_where_the_work_on_its_cylinder_stands(visit: Visit, state: str, note: str) -> None:
    tile = of(visit).tiles[0]
    assert (tile.tag, tile.state, tile.note) == (14, state, note)


def test_a_condemned_cylinder_is_do_not_fill_whatever_step_it_stands_at() -> None:
    for visit in (KNOWN, FILLING, TAPED, replace(TAPED, held="Valve leaks")):
        shown = of(visit, found=standing(Condemned.KIND))
        assert [(tile.state, tile.word) for tile in shown.tiles] == [("stop", "Do not fill")]
        assert shown.floor_words == "0 full of 1"


def test_a_stop_outweighs_a_hold_and_a_hold_elsewhere_holds_here() -> None:
    assert against(SEEN, standing(HoldPlaced.KIND)) == "hold"
    assert against(SEEN, standing(HoldPlaced.KIND, Condemned.KIND)) == "stop"
    assert against(SEEN, standing("cylinder.from_the_future")) == "stop"
    assert against(SEEN, standing()) == "open"


def test_a_whip_shows_its_tag_the_last_reading_and_how_far_the_fill_has_come() -> None:
    first, second = of(FILLING).whips
    assert (first.number, first.state, first.note) == (1, "free", "Bled and hung up")
    assert (second.state, second.tag, second.value, second.unit) == ("filling", 14, "1500", "psi")
    assert second.note == "of 3000"
    assert second.level == 0.5
    assert of(FILLING).whip_words == "1 filling, 1 free"


def test_a_whip_with_a_condemned_cylinder_says_close_both_valves() -> None:
    card = of(FILLING, found=standing(Condemned.KIND)).whips[1]
    assert (card.state, card.note) == ("stop", "Do not fill. Close both valves")
    assert of(FILLING, found=standing(Condemned.KIND)).whip_words == "0 filling, 1 free"


def test_a_level_never_passes_the_top_and_compares_units() -> None:
    over = replace(FILLING, readings=(Reading(MORNING, KeyedPressure(value=250, unit="bar")),))
    assert of(over).whips[1].level == 1.0
    half = replace(FILLING, readings=(Reading(MORNING, KeyedPressure(value=103.4, unit="bar")),))
    # 103.4 bar × 14.503 773 8 psi/bar = 1499.7 psi of 3000.
    assert of(half).whips[1].level == pytest.approx(0.4999, abs=1e-3)
    assert of(half).whips[1].note == "of 3000 psi"


def test_tiles_stand_by_tag_and_slots_are_counted() -> None:
    shown = of(replace(NEW, tag=9), replace(TAPED, id=uuid.uuid4(), tag=2))
    assert [tile.tag for tile in shown.tiles] == [2, 9]
    assert shown.slots_free == 4


def test_an_empty_floor_has_no_tiles_and_every_whip_free() -> None:
    shown = of()
    assert (shown.tiles, shown.floor_words, shown.whip_words) == ((), "0 full of 0", "0 filling, 2 free")


def test_air_has_no_gas_on_the_clip() -> None:
    assert short_gas(GasWanted()) == ""
    assert short_gas(GasWanted(oxygen_percent=18, helium_percent=45)) == "TX18/45"
