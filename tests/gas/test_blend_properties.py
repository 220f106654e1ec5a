"""What holds for any blend: thousands of drawn cases, and an independent set of equations that follows the gauges."""

from __future__ import annotations

import random

import pytest
from tests.gas.recipes import compared

from gas.adding import Contents
from gas.blend import Blend, BlendAsked, CannotBlend, Supply
from gas.blending import plan_blend
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import DRY_AIR, Temperature

CASES = 10_000
COMPARED = 500


def draw_mix(draw: random.Random, *, helium: bool) -> Mix:
    kind = draw.random()
    if kind < 0.15:
        return draw.choice([DRY_AIR, Mix(1.0), Mix(0.32), Mix(0.0, 1.0) if helium else Mix(0.5), Mix(0.21)])
    of_helium = draw.uniform(0, 0.95) if helium and kind > 0.5 else 0.0
    return Mix(draw.uniform(0.0, 1 - of_helium), of_helium)


def draw_question(draw: random.Random) -> BlendAsked:
    """Anything that the types let through, likely or not."""
    helium = draw.random() < 0.6
    supplies = [Supply("Air", DRY_AIR, price_per_m3=draw.uniform(0, 2))]
    if draw.random() < 0.9:
        supplies.append(
            Supply(
                "Oxygen",
                Mix(1.0),
                draw.choice([None, Pressure(draw.uniform(1, 200), "bar")]),
                draw.uniform(0, 10),
            )
        )
    if helium and draw.random() < 0.9:
        bottle_litre = draw.choice([None, 50.0])
        pressure = Pressure(draw.uniform(1, 3500), "psi")
        supplies.append(Supply("Helium", Mix(0.0, 1.0), pressure, draw.uniform(10, 60), bottle_litre))
    if draw.random() < 0.4:
        supplies.append(Supply("Bank", draw_mix(draw, helium=helium), Pressure(draw.uniform(50, 300), "bar")))
    draw.shuffle(supplies)
    limit = draw.choice([207.0, 232.0, 300.0, draw.uniform(0, 500)])
    end = limit if draw.random() < 0.5 else draw.uniform(0, 450)
    read = 0.0 if draw.random() < 0.2 else draw.uniform(0, 300)
    return BlendAsked(
        volume_litre=draw.uniform(1, 40),
        contents=Contents(
            Pressure(read, "bar"), Temperature.of_c(draw.uniform(-10, 60)), draw_mix(draw, helium=helium)
        ),
        wish=draw_mix(draw, helium=helium),
        end=Pressure(end, "bar"),
        limit=Pressure(limit, "bar"),
        reference=Temperature.of_c(draw.choice([15.0, 21.0])),
        step_at=Temperature.of_c(draw.uniform(0, 60)),
        supplies=tuple(supplies),
    )


def check(plan: Blend) -> None:
    asked = plan.asked
    assert not plan.settles_to.is_above(asked.limit)
    assert not plan.settles_to.is_above(asked.end)
    start = asked.contents.read.pascal
    if plan.bleed is not None:
        assert plan.bleed.out.mol > 0
        assert plan.bleed.until.pascal < start
    before = plan.whole.mol - sum(add.amount.mol for add in plan.adds)
    assert before > 0
    for add in plan.adds:
        assert add.amount.mol > 0
        assert add.after.mol == pytest.approx(before + add.amount.mol, rel=1e-9)
        before = add.after.mol
        assert add.cost >= 0
        assert add.supply.pressure is None or not add.until.is_above(add.supply.pressure)
    gauges = [add.until.pascal for add in plan.adds]
    assert gauges == sorted(gauges)
    assert before == pytest.approx(plan.whole.mol, rel=1e-9)
    assert plan.whole.mix.oxygen_fraction == pytest.approx(asked.wish.oxygen_fraction, abs=0.001 + 1e-9)
    assert plan.whole.mix.helium_fraction == pytest.approx(asked.wish.helium_fraction, abs=0.001 + 1e-9)


@pytest.mark.slow
def test_no_case_takes_gas_back_passes_its_limit_or_crashes() -> None:
    seen = {Blend: 0, CannotBlend: 0}
    nearest = 0
    for seed in range(CASES):
        answer = plan_blend(draw_question(random.Random(seed)))
        seen[type(answer)] += 1
        match answer:
            case Blend():
                check(answer)
            case CannotBlend():
                assert answer.reasons, f"seed {seed}"
                assert all(answer.reasons), f"seed {seed}"
                nearest += answer.nearest is not None
    assert min(*seen.values(), nearest) > CASES / 20, (seen, nearest)


@pytest.mark.parametrize(
    ("helium", "oxygen_within", "helium_within"), [(False, 0.0010, 0.0), (True, 0.0025, 0.0040)]
)
def test_followed_by_its_gauges_a_plan_makes_what_it_says(
    helium: bool, oxygen_within: float, helium_within: float
) -> None:
    made = compared(random.Random(2026), COMPARED, helium=helium)
    assert len(made) == COMPARED
    assert max(abs(one.oxygen_off) for one in made) <= oxygen_within
    assert max(abs(one.helium_off) for one in made) <= max(helium_within, 1e-9)
