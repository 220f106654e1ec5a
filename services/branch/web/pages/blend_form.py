"""What stands in the fields of a blend: turned into a question, or into every reason why that cannot be. Pure.

Must never fill in what was not keyed: "not measured" stays not measured.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar, cast

from pydantic import ValidationError

from branch.web.pages.asking import Posted, misread
from branch.web.pages.steps_target import celsius
from cylinder.decide.blend_rules import Vessel
from cylinder.gases import VALVES_BAR, BlendQuestion, GasOnHand, ValveKind
from cylinder.marks import GasWanted
from cylinder.refusal import Reason

_T = TypeVar("_T")

LABELS = {
    "read": "gauge of the cylinder",
    "cylinder_c": "temperature of the cylinder",
    "oxygen_percent": "oxygen measured in the cylinder",
    "helium_percent": "helium measured in the cylinder",
    "end": "end pressure",
    "limit": "rated pressure",
    "step_c": "temperature at the steps",
    "volume_litre": "water capacity",
    "method": "way to blend",
    "gases": "gases",
    "valve": "valve",
    "at_c": "temperature of the cylinder",
}
_WISH_LABELS = {"oxygen_percent": "oxygen wanted", "helium_percent": "helium wanted"}
_CLEAN = {"yes": True, "no": False}


@dataclass(frozen=True)
class Asked:
    """A question that can be put, and the cylinder it is about."""

    question: BlendQuestion
    vessel: Vessel


def asked_in(form: Posted, on_hand: tuple[GasOnHand, ...]) -> Asked | tuple[Reason, ...]:
    """The question that the fields hold, or every reason against it."""
    reasons: list[Reason] = []
    wish = _read(
        lambda: GasWanted.model_validate(
            {
                "oxygen_percent": number_in(form, "wish_oxygen"),
                "helium_percent": number_in(form, "wish_helium") or 0,
            }
        ),
        _WISH_LABELS,
        reasons,
    )
    question = _read(
        lambda: BlendQuestion.model_validate(
            {
                **contents_in(form),
                "read": _pressure(form, "read"),
                "wish": wish or GasWanted(),
                "end": _pressure(form, "end"),
                "limit": _pressure(form, "rated"),
                "step_c": celsius_in(form, "step_c"),
                "volume_litre": number_in(form, "volume"),
                "method": form.text("method", "partial pressure"),
                "gases": chosen(form, on_hand),
            }
        ),
        LABELS,
        reasons,
    )
    valve = form.text("valve")
    if valve not in VALVES_BAR:
        reasons.append(Reason("input.valve", "Say which valve it has.", "input"))
    if question is None or wish is None or reasons:
        return tuple(reasons)
    return Asked(question, Vessel(form.text("spec"), cast(ValveKind, valve), _CLEAN.get(form.text("clean"))))


def contents_in(form: Posted) -> dict[str, object]:
    """What the cylinder was measured to hold; None where it was not measured, whatever else stands in the fields."""
    is_measured = form.text("measured") == "yes"
    return {
        "cylinder_c": celsius_in(form, "cylinder_c"),
        "oxygen_percent": number_in(form, "oxygen") if is_measured else None,
        "helium_percent": number_in(form, "helium") if is_measured else None,
    }


def chosen(form: Posted, on_hand: tuple[GasOnHand, ...]) -> tuple[GasOnHand, ...]:
    """The gases that are ticked."""
    names = set(form.all("gas"))
    return tuple(gas for gas in on_hand if gas.name in names)


def number_in(form: Posted, name: str) -> str:
    """A figure as keyed, with a point where a comma was keyed."""
    return form.text(name).replace(",", ".")


def celsius_in(form: Posted, name: str) -> str:
    """A temperature as keyed, on the scale that was said, in °C for pydantic to judge."""
    return celsius(form.text(name), form.text("degrees"))


def gases_in(form: Posted, rows: int) -> tuple[GasOnHand, ...] | tuple[Reason, ...]:
    """The manager's list: rows without a name are none. The gases, or every reason against them."""
    reasons: list[Reason] = []
    gases: list[GasOnHand] = []
    for n in range(rows):
        name = form.text(f"name_{n}")
        if not name:
            continue
        labels = {
            "oxygen_percent": f"{name}: oxygen",
            "helium_percent": f"{name}: helium",
            "pressure": f"{name}: pressure",
            "bottle_litre": f"{name}: litres of the bottles",
            "price_per_m3": f"{name}: price",
            "name": f"{name[:40]}: name",
        }
        made = _read(lambda n=n: _gas(form, n), labels, reasons)  # type: ignore[misc]  # bound per row
        if made is not None:
            gases.append(made)
    names = [gas.name.casefold() for gas in gases]
    if len(set(names)) < len(names):
        reasons.append(Reason("input.name", "Two gases have the same name. Name them apart.", "input"))
    return tuple(reasons) if reasons else tuple(gases)


def _gas(form: Posted, n: int) -> GasOnHand:
    fields: dict[str, object] = {
        "name": form.text(f"name_{n}"),
        "oxygen_percent": number_in(form, f"oxygen_{n}"),
        "helium_percent": number_in(form, f"helium_{n}") or 0,
        "price_per_m3": number_in(form, f"price_{n}") or 0,
    }
    if form.has(f"gauge_{n}"):
        fields["pressure"] = {"value": number_in(form, f"gauge_{n}"), "unit": form.text("unit")}
    if form.has(f"litre_{n}"):
        fields["bottle_litre"] = number_in(form, f"litre_{n}")
    return GasOnHand.model_validate(fields)


def _pressure(form: Posted, name: str) -> dict[str, str]:
    return {"value": number_in(form, name), "unit": form.text("unit")}


def _read(make: Callable[[], _T], labels: Mapping[str, str], reasons: list[Reason]) -> _T | None:
    try:
        return make()
    except ValidationError as wrong:
        reasons += misread(wrong, labels)
        return None
