"""The target of a fill and the plan for it: what is asked of room, size and rate, and what the gauge may go to.

Shows a plan before it is asked for in earnest; the desk plans again when it records. A figure that nobody knows stays empty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import floor

from fastapi import APIRouter
from pydantic import ValidationError
from starlette.responses import Response

from branch import fill_memory, gas_engine
from branch.web.gate import DEVICE_LASTS_S, set_cookie
from branch.web.pages.asking import Form, Posted, Trouble, misread
from branch.web.pages.fill_words import PlanShown, plan_shown
from branch.web.pages.render import epoch_ms
from branch.web.pages.steps_frame import (
    LABELS,
    NOTHING,
    At,
    TheVisit,
    answer,
    asked,
    moved_on,
    page,
    pressure_in,
    stopped,
)
from branch.web.pages.words import day
from cylinder import commands as c
from cylinder.decide.connect import people_out_reasons
from cylinder.decide.shoulder import reading_of
from cylinder.facts import SettledRead
from cylinder.fill_plan import LEAST_LITRE, MOST_LITRE, plan_fill_of, rates
from cylinder.marks import KeyedPressure
from cylinder.refusal import Reason, Refused
from gas.pressure import PSI_PER_BAR

router = APIRouter()

PARTS = (100, 90, 75)
"""The presets of a target, in percent of the rating that was just read."""

_STEP = {"psi": 50, "bar": 5}
"""Presets below the rating are rounded down to figures that a gauge has."""

DEGREES_COOKIE = "filltrail_degrees"
"""Which scale the thermometer beside this device has."""

_ASKED = ("target", "unit", "room", "degrees", "litre", "rate")


@dataclass(frozen=True)
class Preset:
    """A target that one tap keys: at most the rating."""

    value: str
    words: str


@dataclass(frozen=True)
class Remembered:
    """What this shop's log offers for the fields that a person may leave as they are.

    `size` and `size_words` are the stamp's, as it was typed in this visit, or what was last keyed for this cylinder.
    """

    room: fill_memory.Room | None
    size: float | None
    size_words: str
    settling: fill_memory.Settling | None
    fills: tuple[SettledRead, ...]


def show_target(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """Up to the rating that was read in this visit, never above; with the plan as soon as a target is keyed."""
    rated = at.visit.rating.rated if at.visit.rating else None
    known = remembered(at)
    if not form.pairs:
        form = Posted(tuple(pair for pair in at.request.query_params.multi_items() if pair[0] in _ASKED))
    form = _with_offers(at, form, known)
    shown: PlanShown | None = None
    why_not: tuple[Reason, ...] = ()
    if trouble is None and rated is not None and form.has("target"):
        shown, why_not = _preview(at, form, known)
    return page(
        at,
        "target",
        trouble=trouble,
        kept=form,
        presets=presets(rated) if rated else (),
        rated=rated,
        is_area_open=bool(people_out_reasons(at.around)),
        plan=shown,
        why_not=why_not,
        room_ms=epoch_ms(known.room.at)
        if known.room is not None and form.text("room") == _room(at, known)
        else None,
        size_words=known.size_words,
        rate_unit=_rate_unit(at, form),
    )


def presets(rated: KeyedPressure) -> tuple[Preset, ...]:
    """The rating and parts of it, rounded down."""
    step = _STEP[rated.unit]
    lower = [floor(rated.value * part / 100 / step) * step for part in PARTS[1:]]
    made = [Preset(f"{rated.value:g}", "the rating")]
    made += [
        Preset(str(value), f"{part} %") for value, part in zip(lower, PARTS[1:], strict=True) if value > 0
    ]
    return tuple(made)


@router.post("/target")
def authorise(at: TheVisit, form: Form) -> Response:
    """Start the fill, to the plan for what was keyed; or only look at that plan."""
    if form.has("look"):
        return stopped(at) or _look(at, form)
    gas_engine.wait_until_warm()
    response = answer(at, form, lambda: _command(at, form), show_target)
    set_cookie(at.request, response, DEGREES_COOKIE, _scale(at, form), DEVICE_LASTS_S)
    return response


def _look(at: At, form: Posted) -> Response:
    if at.visit.step != "target":
        return moved_on(at)
    pairs = tuple(pair for pair in form.pairs if pair[0] in _ASKED)
    if form.text("look") != "keyed" and at.visit.rating is not None:
        # A preset is in the unit of the stamp, whatever the switch says.
        kept = (pair for pair in pairs if pair[0] not in ("target", "unit"))
        pairs = (*kept, ("target", form.text("look")), ("unit", at.visit.rating.rated.unit))
    return show_target(at, None, Posted(pairs))


def remembered(at: At) -> Remembered:
    """What the log offers for this cylinder, here and now."""
    node, now = at.node.settings.node, at.around.now
    with at.node.store.reading() as cursor:
        fills = fill_memory.settled_fills(cursor, node)
        room = fill_memory.room(cursor, node, now)
        size = fill_memory.size(cursor, at.visit.cylinder_id) if at.visit.cylinder_id else None
    stamped = _stamped_litre(at)
    if stamped is not None:
        return Remembered(room, stamped, "As typed off the shoulder", fill_memory.settling(fills), fills)
    words = "" if size is None else f"Keyed {day(size.on)} at {at.shop(size.node)}"
    litre = None if size is None else size.litre
    return Remembered(room, litre, words, fill_memory.settling(fills), fills)


def _stamped_litre(at: At) -> float | None:
    """The water capacity on the shoulder, where somebody typed it in this visit and it is one of a cylinder."""
    reading = reading_of(at.visit.shoulder, at.around.today)
    litre = None if reading is None else reading.stamps.capacity_litre
    return litre if litre is not None and LEAST_LITRE <= litre <= MOST_LITRE else None


def celsius(text: str, scale: str) -> str:
    """A temperature as keyed, in °C for pydantic to judge; what is no number is handed on as it is."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return text
    return str((value - 32) / 1.8 if scale == "f" else value)


def scale_of(at: At, form: Posted) -> str:
    """The scale that was keyed in, or the one that this device used last, or the shop's."""
    return _scale(at, form)


def _command(at: At, form: Posted) -> c.Authorise:
    return c.Authorise.model_validate(
        asked(at, form, target=pressure_in(form, "target"), conditions=_conditions(at, form))
    )


def _conditions(at: At, form: Posted) -> dict[str, object]:
    found: dict[str, object] = {"room_is_sure": form.text("room_is_sure") == "yes"}
    if form.has("room"):
        found["room_c"] = celsius(form.text("room"), _scale(at, form))
    if form.has("litre"):
        found["volume_litre"] = form.text("litre").replace(",", ".")
    if form.has("rate"):
        rate = form.text("rate").replace(",", ".")
        found["rate_bar_per_min"] = _in_bar(rate) if _rate_unit(at, form) == "psi" else rate
    return found


def _in_bar(rate: str) -> str:
    try:
        return str(float(rate) / PSI_PER_BAR)
    except ValueError:
        return rate


def _preview(at: At, form: Posted, known: Remembered) -> tuple[PlanShown | None, tuple[Reason, ...]]:
    """The plan for what stands in the fields, or every reason why there is none. Nothing is recorded."""
    gas_engine.wait_until_warm()
    around = replace(at.around, fill_correction=fill_memory.correction_of(known.fills))
    try:
        target = KeyedPressure.model_validate(pressure_in(form, "target"))
        conditions = c.FillConditions.model_validate(_conditions(at, form))
        planned = plan_fill_of(at.visit, target, conditions, around)
    except ValidationError as wrong:
        return None, misread(wrong, LABELS)
    except Refused as refused:
        return None, refused.reasons
    return plan_shown(planned.plan, target.pressure, known.settling, planned.remarks), ()


def _with_offers(at: At, form: Posted, known: Remembered) -> Posted:
    """Fields that were not sent yet, as the log offers them; a field that somebody emptied stays empty."""
    sent = {name for name, _ in form.pairs}
    usual, _ = rates(at.visit.gas, at.around.policy)
    unit = _rate_unit(at, form)
    offers = {
        "degrees": _scale(at, form),
        "room": _room(at, known),
        "litre": f"{known.size:g}" if known.size is not None else "",
        "rate": f"{round(usual * PSI_PER_BAR, -1):.0f}" if unit == "psi" else f"{usual:g}",
    }
    return Posted((*form.pairs, *((name, value) for name, value in offers.items() if name not in sent)))


def _room(at: At, known: Remembered) -> str:
    if known.room is None:
        return ""
    value = known.room.celsius
    return f"{value * 1.8 + 32:.0f}" if _scale(at, NOTHING) == "f" else f"{value:g}"


def _scale(at: At, form: Posted) -> str:
    said = form.text("degrees") or at.request.cookies.get(DEGREES_COOKIE, "")
    return said if said in ("c", "f") else "f" if at.node.settings.unit == "psi" else "c"


def _rate_unit(at: At, form: Posted) -> str:
    rated = at.visit.rating.rated.unit if at.visit.rating else at.node.settings.unit
    return form.text("unit") if form.text("unit") in ("psi", "bar") else rated
