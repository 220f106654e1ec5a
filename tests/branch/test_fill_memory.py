"""What a shop's own settled readings say, what one mad reading does to it, and when the engine is loaded."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys

import pytest
from tests.branch.a_shop import RATED, Shop
from tests.cylinder.given import an_id

from branch import fill_memory, gas_engine
from branch.web.pages.fill_words import settling_words
from cylinder import commands as c
from cylinder.facts import SettledRead
from cylinder.fill_plan import plan_of
from cylinder.marks import GasWanted, KeyedPressure
from gas.learning import UNCORRECTED
from gas.quantity import DRY_AIR, REFERENCE_21_C, Temperature
from gas.states import at_temperature

HALL_C = 25.0
MODEL_RISE = 20.0


def settled(rise: float, name: int = 0) -> SettledRead:
    """A fill that the model thought would warm by 20 °C and that warmed by `rise`, stopped at 220 bar."""
    stopped = KeyedPressure(value=220, unit="bar")
    gas = Temperature.of_c(HALL_C + rise)
    cold = at_temperature(stopped.pressure, DRY_AIR, at=gas, then=REFERENCE_21_C)
    model = at_temperature(
        stopped.pressure, DRY_AIR, at=Temperature.of_c(HALL_C + MODEL_RISE), then=REFERENCE_21_C
    )
    return SettledRead(
        visit_id=an_id(f"fill {name}"),
        settled=KeyedPressure(value=cold.bar, unit="bar"),
        wall_c=21.0,
        stopped=stopped,
        gas=GasWanted(),
        came_to_bar=cold.bar,
        room_c=HALL_C,
        foreseen_rise_kelvin=MODEL_RISE,
        foreseen_bar=model.bar,
    )


def test_twelve_fills_that_warm_more_than_foreseen_move_the_estimate_most_of_the_way() -> None:
    found = fill_memory.correction_of([settled(25.0) for _ in range(12)])
    assert found.readings == 12
    assert 1.15 < found.rise_factor <= 1.25
    assert found.within_fraction < UNCORRECTED.within_fraction


def test_one_mad_reading_moves_nothing() -> None:
    sane = [settled(24.0 + (at % 3)) for at in range(8)]
    without, beside = fill_memory.correction_of(sane), fill_memory.correction_of([*sane, settled(49.0)])
    assert beside.rise_factor == pytest.approx(without.rise_factor)
    assert beside.within_fraction == pytest.approx(without.within_fraction)
    middle, moved = fill_memory.settling(sane), fill_memory.settling([*sane, settled(49.0)])
    assert middle is not None
    assert moved is not None
    assert abs(middle.lower_bar - moved.lower_bar) < 1.0


def test_the_lesson_is_said_in_words_and_not_before_there_are_three() -> None:
    assert settling_words(fill_memory.settling([settled(25.0)] * 2), "bar") == ""
    said = settling_words(fill_memory.settling([settled(25.0)] * 12), "bar")
    assert (
        said
        == "This shop's last 12 settled fills came out 4 bar lower than estimated (half of them within 1 bar of that)."
    )


def test_a_shop_that_never_read_one_keeps_the_model_as_it_is(shop: Shop) -> None:
    with shop.node.store.reading() as cursor:
        fills = fill_memory.settled_fills(cursor, "pier")
    assert fill_memory.correction_of(fills) == UNCORRECTED


def test_three_settled_readings_correct_the_next_plan_at_this_shop(shop: Shop) -> None:
    conditions = c.FillConditions(room_c=34, volume_litre=11.1)
    for tag in (1, 2, 3, 4):
        visit_id = shop.up_to("target", tag=tag)
        shop.do(c.Authorise, visit_id=visit_id, target=RATED, conditions=conditions)
        plan = plan_of(shop.visit(visit_id))
        assert plan is not None
        assert plan.learnt_from == (3 if tag == 4 else 0)
        shop.clock.move(dt.timedelta(minutes=plan.minutes))
        shop.do(c.CompleteFill, visit_id=visit_id, end=plan.stop)
        shop.clock.move(dt.timedelta(hours=2))
        shop.node.sync.link.heard_at = shop.clock.now()
        shop.do(c.ReadSettled, visit_id=visit_id, settled=KeyedPressure(value=2860, unit="psi"), wall_c=21.0)
        shop.up_to("done", visit_id=visit_id)
    with shop.node.store.reading() as cursor:
        fills = fill_memory.settled_fills(cursor, "pier")
        assert fill_memory.settling(fills) is not None
        assert fill_memory.settled_fills(cursor, "quay") == ()
    assert fill_memory.correction_of(fills).readings == 4


def test_the_engine_is_loaded_beside_the_work_and_without_the_tables_for_boiling() -> None:
    said = (
        "import sys; from branch import gas_engine as g; print('CoolProp' in sys.modules); g.warm(); "
        "g.wait_until_warm(); print('CoolProp' in sys.modules)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", said], capture_output=True, text=True, timeout=60, check=True
    ).stdout.splitlines()
    assert (ran[0], ran[-1]) == ("False", "True")
    assert any("superancillaries have been disabled" in line for line in ran)
    assert gas_engine.WITHOUT_BOILING == "COOLPROP_DISABLE_SUPERANCILLARIES_ENTIRELY"
