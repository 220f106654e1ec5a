"""A blend as figures that a person keyed: turned into the types of this package, or into every reason why that cannot be.

A page hands over what stands in its fields; whatever is missing, impossible or not a number is named here, all of it at once.
It must never fill in a figure that was not keyed: what is in a cylinder is measured or unknown.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from gas.adding import Contents
from gas.blend import EMPTY, HIGHEST_PLANNED, Blend, BlendAsked, CannotBlend, Supply, doubts
from gas.blending import plan_blend
from gas.mixture import Mix
from gas.pressure import Pressure, Unit
from gas.quantity import DRY_AIR, REFERENCE_21_C, Temperature

_T = TypeVar("_T")


@dataclass(frozen=True)
class KeyedBlend:
    """Gauges in `unit`, temperatures in °C, mixtures in per cent. None for what is not known."""

    unit: Unit
    volume_litre: float
    contents_gauge: float
    contents_c: float
    contents_oxygen_percent: float | None
    contents_helium_percent: float | None
    wish_oxygen_percent: float
    wish_helium_percent: float
    end_gauge: float
    limit_gauge: float
    step_c: float
    supplies: tuple[Supply, ...]
    reference_c: float = REFERENCE_21_C.c


def plan_keyed(keyed: KeyedBlend) -> Blend | CannotBlend:
    """The plan, or every reason why there is none."""
    asked = blend_asked(keyed)
    return asked if isinstance(asked, CannotBlend) else plan_blend(asked)


def blend_asked(keyed: KeyedBlend) -> BlendAsked | CannotBlend:
    """The question in types, for a page that plans it again after each reading; or every reason against it."""
    reasons: list[str] = []

    def read(what: str, make: Callable[[], _T], stand_in: _T) -> _T:
        """`stand_in` lets the other figures be judged as well; nothing is planned with it."""
        try:
            return make()
        except ValueError as refused:
            reasons.append(f"{what}: {refused}.")
            return stand_in

    unit = keyed.unit
    contents = Contents(
        read("In the cylinder", lambda: Pressure(keyed.contents_gauge, unit), EMPTY),
        read("Temperature of the cylinder", lambda: Temperature.of_c(keyed.contents_c), REFERENCE_21_C),
        read(
            "Mixture in the cylinder",
            lambda: _analysed(keyed.contents_oxygen_percent, keyed.contents_helium_percent),
            DRY_AIR,
        ),
    )
    asked = BlendAsked(
        volume_litre=keyed.volume_litre,
        contents=contents,
        wish=read("Wish", lambda: _mix(keyed.wish_oxygen_percent, keyed.wish_helium_percent), DRY_AIR),
        end=read("End pressure", lambda: Pressure(keyed.end_gauge, unit), Pressure(1, "bar")),
        limit=read("Limit", lambda: Pressure(keyed.limit_gauge, unit), HIGHEST_PLANNED),
        reference=read("Reference", lambda: Temperature.of_c(keyed.reference_c), REFERENCE_21_C),
        step_at=read("Temperature of a step", lambda: Temperature.of_c(keyed.step_c), REFERENCE_21_C),
        supplies=keyed.supplies,
    )
    reasons += doubts(asked)
    return CannotBlend(tuple(reasons)) if reasons else asked


def _analysed(oxygen_percent: float | None, helium_percent: float | None) -> Mix:
    if oxygen_percent is None or helium_percent is None:
        raise ValueError(
            "not known. Analyse it for oxygen and helium, or empty the cylinder and start with a known gas"
        )
    return _mix(oxygen_percent, helium_percent)


def _mix(oxygen_percent: float, helium_percent: float) -> Mix:
    return Mix(oxygen_percent / 100, helium_percent / 100)
