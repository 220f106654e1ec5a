"""Real gas: a state, a blend, a fill and a day of fills from a bank, each beside one call of the engine that it asks."""

from __future__ import annotations

import time
from collections.abc import Callable

from tests.benchmarks.measuring import Row, Sample, in_turns, row

from gas import engine
from gas.adding import Contents
from gas.bank import Bank, Bottle, Waiting, day
from gas.blend import Blend, BlendAsked, Supply
from gas.blending import plan_blend
from gas.fill import FillAsked, FillPlan, Limit, plan_fill
from gas.heat import Filling, Vessel
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import DRY_AIR, REFERENCE_21_C, AbsolutePressure
from gas.states import mol_per_m3

FILLS = 200
CALLS = (
    5  # One call is shorter than the clock's own noise; many would be longer than a turn at a busy processor.
)
FLOOR = "one call of the engine"


def real_gas(n: int) -> list[Row]:
    """Nothing here touches a disk or a socket, so the figures are those of this machine's processor."""
    pressure = AbsolutePressure.of_bar(207)
    engines_call = _engines_call(pressure)
    state = in_turns(n, _each(lambda: mol_per_m3(DRY_AIR, pressure, REFERENCE_21_C)), engines_call)
    blend = in_turns(n, _once(_blend), engines_call)
    fill = in_turns(n, _once(_fill), engines_call)
    fills = in_turns(max(1, n // 20), _once(_day), engines_call)
    return [
        row("gas: density of air at 207 bar", state[0], FLOOR, state[1]),
        row("gas: a blend of four gases into a residual, with its cost", blend[0], FLOOR, blend[1]),
        row("gas: a fill planned, with its curve", fill[0], FLOOR, fill[1]),
        row(f"gas: a day of {FILLS} fills from six bottles", fills[0], FLOOR, fills[1]),
    ]


def _engines_call(pressure: AbsolutePressure) -> Sample:
    """A density by CoolProp itself, the phase known and everything made ready: what no library above it can beat."""
    ready = engine.ready(DRY_AIR)
    state, pascal, kelvin = ready.state, pressure.pascal, REFERENCE_21_C.kelvin

    def ask() -> float:
        state.update(ready.by_pressure, pascal, kelvin)
        return state.rhomolar()

    return _each(ask)


def _blend() -> None:
    supplies = (
        Supply("Oxygen", Mix(1.0), Pressure(150, "bar"), 6.0),
        Supply("Helium", Mix(0.0, 1.0), Pressure(180, "bar"), 45.0),
        Supply("Bank 36", Mix(0.36), Pressure(250, "bar"), 2.0),
        Supply("Air", DRY_AIR, None, 0.4),
    )
    contents = Contents(Pressure(60, "bar"), REFERENCE_21_C, Mix(0.28, 0.10))
    end = Pressure(232, "bar")
    asked = BlendAsked(12, contents, Mix(0.18, 0.45), end, end, REFERENCE_21_C, REFERENCE_21_C, supplies)
    assert isinstance(plan_blend(asked), Blend)


def _fill() -> None:
    day_at = REFERENCE_21_C
    filling = Filling(
        Vessel(11.1, "aluminium"),
        DRY_AIR,
        Pressure(50, "bar"),
        day_at,
        20,
        day_at,
        day_at,
        Pressure(300, "bar"),
    )
    limit = Limit(Pressure(207, "bar"), day_at, "the rating")
    assert isinstance(plan_fill(FillAsked(filling, (limit,))), FillPlan)


def _day() -> None:
    bottles = tuple(Bottle(str(number), 400, Pressure(300, "bar")) for number in range(6))
    waiting = [
        Waiting(str(number), 11.1, Pressure(50, "bar"), Pressure(207, "bar")) for number in range(FILLS)
    ]
    assert day(Bank("Air", DRY_AIR, REFERENCE_21_C, bottles), waiting).full_count == FILLS


def _once(work: Callable[[], None]) -> Sample:
    def sample() -> float:
        began = time.perf_counter()
        work()
        return time.perf_counter() - began

    return sample


def _each(work: Callable[[], float]) -> Sample:
    """The mean of many calls, for what is too short to be timed alone."""

    def sample() -> float:
        began = time.perf_counter()
        for _ in range(CALLS):
            work()
        return (time.perf_counter() - began) / CALLS

    return sample
