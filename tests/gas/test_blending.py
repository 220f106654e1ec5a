"""A blend from what is in to what was asked for, in real gas; where it cannot be made, why not, and what could."""

from __future__ import annotations

import dataclasses

import pytest

from gas.adding import Contents
from gas.blend import Blend, BlendAsked, CannotBlend, Supply
from gas.blending import plan_blend, read_after
from gas.keyed import KeyedBlend, plan_keyed
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import DRY_AIR, REFERENCE_21_C, REFERENCE_70_F, Temperature
from gas.topping import STREAM_OXYGEN_MAX_FRACTION, Stream, streamed, topped

OXYGEN = Supply("Oxygen", Mix(1.0), price_per_m3=6.0)
HELIUM = Supply("Helium", Mix(0.0, 1.0), price_per_m3=45.0)
AIR = Supply("Air", DRY_AIR, price_per_m3=0.4)
EAN36 = Supply("Bank 36", Mix(0.36), price_per_m3=1.0)
ALL = (OXYGEN, HELIUM, AIR)


def bar(value: float) -> Pressure:
    return Pressure(value, "bar")


def asked(
    wish: Mix, end: float, *, read: float = 0, mix: Mix = DRY_AIR, supplies: tuple[Supply, ...] = ALL,
    limit: float = 300, step_c: float = 21,
) -> BlendAsked:  # fmt: skip
    contents = Contents(bar(read), REFERENCE_21_C, mix)
    return BlendAsked(
        12, contents, wish, bar(end), bar(limit), REFERENCE_21_C, Temperature.of_c(step_c), supplies
    )


def planned(question: BlendAsked) -> Blend:
    plan = plan_blend(question)
    assert isinstance(plan, Blend), plan
    return plan


def refused(question: BlendAsked) -> CannotBlend:
    plan = plan_blend(question)
    assert isinstance(plan, CannotBlend), plan
    return plan


def added(plan: Blend) -> list[str]:
    return [add.supply.name for add in plan.adds]


@pytest.mark.parametrize(
    ("wish", "end", "oxygen", "helium"),
    [
        # What following ideal-gas gauges would make, by equal densities in the equations of Lemmon et al. 2000 and
        # Kunz and Wagner 2012, worked out beforehand with another program.
        (Mix(0.32), 232, 0.0063, 0.0),
        (Mix(0.32), 300, 0.0129, 0.0),
        (Mix(0.18, 0.45), 232, -0.011, 0.036),
    ],
)
def test_the_mistake_of_the_ideal_gas_law_is_shown(
    wish: Mix, end: float, oxygen: float, helium: float
) -> None:
    low_helium = dataclasses.replace(HELIUM, pressure=bar(98))  # has to go in first, as in that working out
    ideal = planned(asked(wish, end, supplies=(OXYGEN, low_helium, AIR))).ideal
    assert ideal is not None
    assert ideal.would_make.oxygen_fraction - wish.oxygen_fraction == pytest.approx(oxygen, abs=2e-4)
    assert ideal.would_make.helium_fraction - wish.helium_fraction == pytest.approx(helium, abs=5e-4)


def test_ideal_gauges_are_those_of_a_worked_example() -> None:
    # Plain-text note with worked nitrox examples (Read): 210 bar of 33 % from empty takes 31.9 bar of oxygen, with air of 21 %.
    # Here the cylinder keeps its one atmosphere of air, so the gauge says what was added.
    air = Supply("Air", Mix(0.21))
    question = asked(Mix(0.33), 210 - 1.01325, mix=Mix(0.21), supplies=(OXYGEN, air))
    ideal = planned(question).ideal
    assert ideal is not None
    assert ideal.gauges[0].bar == pytest.approx(31.9, abs=0.05)


def test_a_worked_example_from_a_residual_agrees_by_the_ideal_law() -> None:
    # Kessler, The Mathematics Behind Partial Pressure Gas Blending, v3.0, 2020: 425 psi of EAN32 to 3200 psi of EAN34 with
    # air of 20.9 %: 470.3 psi of oxygen. It counts pressures as absolute, so both ends are taken down by one atmosphere.
    atmosphere = 14.696
    question = dataclasses.replace(
        asked(Mix(0.34), 200, supplies=(OXYGEN, Supply("Air", Mix(0.209)))),
        contents=Contents(Pressure(425 - atmosphere, "psi"), REFERENCE_21_C, Mix(0.32)),
        end=Pressure(3200 - atmosphere, "psi"),
    )
    ideal = planned(question).ideal
    assert ideal is not None
    assert ideal.gauges[0].psi == pytest.approx(425 - atmosphere + 470.3, abs=0.5)


def test_moles_close() -> None:
    plan = planned(asked(Mix(0.18, 0.45), 232, read=60, mix=Mix(0.28, 0.10)))
    assert plan.bleed is None
    came_in = sum(add.amount.mol for add in plan.adds)
    kept = plan.whole.mol - came_in
    for part in ("oxygen_fraction", "helium_fraction"):
        parts = [add.amount.mol * getattr(add.supply.mix, part) for add in plan.adds]
        whole = kept * getattr(Mix(0.28, 0.10), part) + sum(parts)
        assert whole == pytest.approx(plan.whole.mol * getattr(Mix(0.18, 0.45), part), rel=1e-9)
    assert plan.settles_to.bar == pytest.approx(232, rel=1e-9)


def test_oxygen_goes_in_at_low_pressure_then_helium_then_air() -> None:
    assert added(planned(asked(Mix(0.18, 0.45), 232))) == ["Oxygen", "Helium", "Air"]


def test_ean32_into_a_half_full_36_needs_no_bleed() -> None:
    plan = planned(asked(Mix(0.32), 220, read=110, mix=Mix(0.36)))
    assert plan.bleed is None
    assert added(plan) == ["Oxygen", "Air"]
    gauges = [add.until.bar for add in plan.adds]
    assert 110 < gauges[0] < gauges[1] == pytest.approx(220)


def test_too_much_oxygen_left_in_is_bled_and_no_further_than_needed() -> None:
    plan = planned(asked(Mix(0.32), 200, read=180, mix=Mix(0.36)))
    assert plan.bleed is not None
    assert added(plan) == ["Air"]
    assert plan.bleed.until.bar < 180
    kept = dataclasses.replace(plan.asked, contents=Contents(plan.bleed.until, REFERENCE_21_C, Mix(0.36)))
    a_little_more = dataclasses.replace(
        kept, contents=dataclasses.replace(kept.contents, read=bar(plan.bleed.until.bar + 1))
    )
    assert planned(a_little_more).bleed is not None


def test_the_cheaper_of_two_ways_is_taken() -> None:
    dear_oxygen = dataclasses.replace(OXYGEN, price_per_m3=200.0)
    cheap = planned(asked(Mix(0.32), 200, supplies=(dear_oxygen, AIR, EAN36)))
    assert added(cheap) == ["Bank 36", "Air"]
    assert cheap.cost < planned(asked(Mix(0.32), 200, supplies=(dear_oxygen, AIR))).cost


def test_a_weak_oxygen_bottle_is_used_while_the_cylinder_is_low() -> None:
    weak = dataclasses.replace(OXYGEN, pressure=bar(60))
    plan = planned(asked(Mix(0.40), 232, read=100, supplies=(weak, AIR)))
    assert plan.bleed is not None
    assert plan.adds[0].until.bar == pytest.approx(60, abs=0.2)
    assert not plan.adds[0].until.is_above(bar(60))


def test_a_bottle_sinks_as_it_gives() -> None:
    sinking = dataclasses.replace(OXYGEN, pressure=bar(60), bottle_litre=150)
    plan = planned(asked(Mix(0.40), 232, read=100, supplies=(sinking, AIR)))
    steady = planned(
        asked(Mix(0.40), 232, read=100, supplies=(dataclasses.replace(sinking, bottle_litre=None), AIR))
    )
    assert plan.adds[0].until.bar < steady.adds[0].until.bar - 3


def test_a_bottle_that_is_too_weak_even_from_empty_is_named_with_its_gauge() -> None:
    weak = dataclasses.replace(OXYGEN, pressure=bar(20))
    cannot = refused(asked(Mix(0.40), 232, read=100, supplies=(weak, AIR)))
    assert "Oxygen at 20 bar does not reach the 53 bar of its step" in cannot.reasons[0]


def test_gauges_are_for_the_temperature_of_the_step() -> None:
    cool, hot = planned(asked(Mix(0.32), 232)), planned(asked(Mix(0.32), 232, step_c=40))
    assert hot.whole == cool.whole
    assert hot.adds[0].until.bar > cool.adds[0].until.bar + 1.5
    assert hot.settles_to.bar == pytest.approx(232)


def test_a_hot_gauge_above_the_limit_is_cautioned() -> None:
    assert planned(asked(Mix(0.32), 232, limit=232)).cautions == ()
    (caution,) = planned(asked(Mix(0.32), 232, limit=232, step_c=40)).cautions
    assert caution.startswith("254.5 bar is right only while the gas is at 40 °C")


def test_oxygen_after_leaner_gas_is_cautioned() -> None:
    low_helium = dataclasses.replace(HELIUM, pressure=bar(98))
    plan = planned(asked(Mix(0.18, 0.45), 232, supplies=(OXYGEN, low_helium, AIR)))
    assert added(plan) == ["Helium", "Oxygen", "Air"]
    assert plan.cautions == (
        "Oxygen flows into 97 bar, after leaner gas: no supply order allows it earlier.",
    )


def test_a_plan_keyed_in_psi_answers_in_psi() -> None:
    plan = plan_keyed(keyed(unit="psi", contents_gauge=500, end_gauge=3000, limit_gauge=3000))
    assert isinstance(plan, Blend)
    assert {add.until.unit for add in plan.adds} | {plan.settles_to.unit} == {"psi"}
    assert plan.settles_to.value == pytest.approx(3000)


def test_one_bar_of_oxygen_is_a_third_of_a_per_cent() -> None:
    # d(FO2) of one bar in the oxygen step at 232 bar: 0.79/(232/1.05), by hand: 0.36 %. Two readings bound that step,
    # the one before it and the one after, each a bar off on its own: √2 times as much.
    sharp = dataclasses.replace(asked(Mix(0.32), 232), reading_within=bar(0.001))
    blunt, sharper = planned(asked(Mix(0.32), 232)).predicted, planned(sharp).predicted
    of_gauge = (blunt.oxygen_within_fraction**2 - sharper.oxygen_within_fraction**2) ** 0.5
    assert of_gauge == pytest.approx(0.0036 * 2**0.5, abs=2e-4)


def test_a_prediction_says_that_it_is_one() -> None:
    assert (
        planned(asked(Mix(0.32), 232)).predicted.words() == "about 32.0% oxygen, give or take 0.5% (estimate)"
    )


def test_air_with_air_only_is_air_though_21_was_keyed() -> None:
    plan = planned(asked(Mix(0.21), 232, read=30, supplies=(AIR,)))
    assert added(plan) == ["Air"]
    assert plan.whole.mix.oxygen_fraction == pytest.approx(0.2096, abs=1e-9)


def test_a_reading_off_the_plan_is_planned_again() -> None:
    first = planned(asked(Mix(0.32), 232))
    overshot = read_after(first, bar(first.adds[0].until.bar + 1), REFERENCE_21_C)
    assert overshot.contents.mix.oxygen_fraction > 0.9
    again = planned(overshot)
    assert again.bleed is not None
    assert again.whole.mix.oxygen_fraction == pytest.approx(0.32)
    fell_short = planned(read_after(first, bar(first.adds[0].until.bar - 1), REFERENCE_21_C))
    assert fell_short.bleed is None
    assert added(fell_short) == ["Oxygen", "Air"]


def test_a_reading_on_the_plan_leaves_the_rest_of_it() -> None:
    first = planned(asked(Mix(0.18, 0.45), 232, read=20))
    rest = planned(read_after(first, first.adds[0].until, REFERENCE_21_C))
    assert added(rest) == ["Helium", "Air"]
    assert [add.until.bar for add in rest.adds] == pytest.approx(
        [add.until.bar for add in first.adds[1:]], rel=1e-6
    )


def test_a_gauge_that_fell_while_adding_is_no_reading_to_plan_from() -> None:
    with pytest.raises(ValueError, match="nothing was added, or it leaks"):
        read_after(planned(asked(Mix(0.32), 232, read=50)), bar(49), REFERENCE_21_C)


def test_a_mixture_out_of_reach_is_refused_with_the_nearest_that_is_not() -> None:
    cannot = refused(asked(Mix(0.05, 0.45), 232, read=30))
    assert cannot.reasons[0].startswith(
        "With 45 % helium these gases with what is in the cylinder reach 11.5 %"
    )
    assert cannot.nearest is not None
    assert isinstance(plan_blend(asked(cannot.nearest, 232, read=30)), Blend)


def test_no_helium_no_trimix() -> None:
    assert (
        "No gas on hand brings helium." in refused(asked(Mix(0.3, 0.3), 232, supplies=(OXYGEN, AIR))).reasons
    )


def keyed(**changes: object) -> KeyedBlend:
    good = KeyedBlend(
        unit="bar", volume_litre=12, contents_gauge=50, contents_c=21, contents_oxygen_percent=32,
        contents_helium_percent=0, wish_oxygen_percent=32, wish_helium_percent=0, end_gauge=200, limit_gauge=232,
        step_c=21, supplies=ALL,
    )  # fmt: skip
    return dataclasses.replace(good, **changes)  # type: ignore[arg-type]  # a test keys what it likes


def test_what_is_keyed_right_is_planned() -> None:
    assert isinstance(plan_keyed(keyed()), Blend)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"contents_oxygen_percent": None}, "Mixture in the cylinder: not known. Analyse it"),
        ({"end_gauge": 0.0}, "An end pressure of zero"),
        ({"wish_oxygen_percent": 21.0, "wish_helium_percent": 90.0}, "more than the whole gas"),
        ({"end_gauge": 40.0}, "The cylinder already holds as much"),
        ({"end_gauge": 400.0}, "400 bar is more than this cylinder may hold: 232 bar."),
        ({"end_gauge": -5.0}, "End pressure: a gauge pressure cannot be below zero."),
        ({"contents_gauge": float("nan")}, "In the cylinder: a pressure must be a number."),
        ({"wish_oxygen_percent": float("nan")}, "Wish: the oxygen fraction must be a number."),
        ({"wish_oxygen_percent": 0.0}, "A gas without oxygen"),
        ({"volume_litre": float("nan")}, "A water capacity of nan litres"),
        ({"step_c": 400.0}, "Temperature of a step: a temperature is between"),
        ({"supplies": ()}, "No gas is on hand."),
        ({"supplies": (Supply("Air", DRY_AIR, price_per_m3=-1),)}, "A price is a number"),
    ],
)
def test_bad_input_gets_clear_words_and_no_plan(changes: dict[str, object], said: str) -> None:
    cannot = plan_keyed(keyed(**changes))
    assert isinstance(cannot, CannotBlend)
    assert any(said in reason for reason in cannot.reasons), cannot.reasons


def test_every_reason_is_named_at_once() -> None:
    cannot = plan_keyed(
        keyed(contents_oxygen_percent=None, wish_oxygen_percent=21, wish_helium_percent=90, end_gauge=400)
    )
    assert isinstance(cannot, CannotBlend)
    assert len(cannot.reasons) == 4  # not known; more than the whole; over the limit; over what is planned


def test_the_stream_that_tops_36_onto_32() -> None:
    # Open encyclopedia, "Gas blending for scuba diving", by the ideal law and absolute pressures: 50 bar of EAN32 to 200 bar of
    # EAN36 needs 37.33 %. Real gas at 50 bar is denser, so a little more.
    question = asked(Mix(0.36), 200, read=50, mix=Mix(0.32))
    stream = streamed(question)
    assert isinstance(stream, Stream)
    assert stream.topped.supply.oxygen_fraction == pytest.approx(0.3733, abs=0.001)
    assert stream.topped.whole.mix.oxygen_fraction == pytest.approx(0.36, abs=1e-6)
    assert sum(share for _, share in stream.shares) == pytest.approx(1)


def test_a_stream_richer_than_the_compressor_may_draw_is_refused() -> None:
    cannot = streamed(asked(Mix(0.45), 200))
    assert isinstance(cannot, CannotBlend)
    assert f"{STREAM_OXYGEN_MAX_FRACTION:.1%} at most" in cannot.reasons[0]


def test_a_stream_cannot_take_oxygen_out() -> None:
    cannot = streamed(asked(Mix(0.21), 200, read=150, mix=Mix(0.8)))
    assert isinstance(cannot, CannotBlend)
    assert "too much oxygen" in cannot.reasons[0]


def test_topping_with_a_bank_says_what_it_makes() -> None:
    half = Contents(Pressure(1500, "psi"), REFERENCE_70_F, DRY_AIR)
    made = topped(
        half, Mix(0.36), volume_litre=11.1, end=Pressure(3000, "psi"), reference=REFERENCE_70_F,
        read_at=Temperature.of_c(30),
    )  # fmt: skip
    assert 0.28 < made.predicted.mix.oxygen_fraction < 0.29
    assert made.until.unit == "psi"
    assert made.until.is_above(Pressure(3000, "psi"))  # warm now, 3000 psi once settled
