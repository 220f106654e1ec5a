"""The analysis, one question a screen: which analyser, the first reading, the second. Depths are estimates and say so."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from math import floor

from fastapi import APIRouter
from pydantic import ValidationError
from starlette.responses import Response

from branch.web.pages.asking import Form, Posted, Trouble, misread
from branch.web.pages.steps_frame import LABELS, NOTHING, At, TheVisit, answer, asked, page, reasons_against
from branch.web.pages.words import clock
from cylinder import commands as c
from cylinder.decide.analyse import PAIRS_BEFORE_HOLD
from cylinder.facts import GasAnalysedTwice
from cylinder.refusal import Reason
from gas.depth import WORKING_OXYGEN_ATM, mod_ft_shown, mod_m_shown
from gas.mixture import Mix

router = APIRouter()

_TIME = re.compile(r"([01]?\d|2[0-3])[:.h ]?([0-5]\d)")
_OF_THE_ANALYSER = ("analyse.calibrated", "analyse.analyser", "input.analyser")
_OF_A_READING = ("analyse.sum", "analyse.no-oxygen")


@dataclass(frozen=True)
class LastUsed:
    """The analyser of the last analysis on this floor, so that nobody keys it for every cylinder."""

    analyser: str
    calibrated: str
    calibrated_in: str


def show_analyse(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The measured mix, read with the diver: it begins with the analyser, or again with the first reading."""
    stage = "analyser"
    if trouble is not None and not any(
        reason.rule_id.startswith(_OF_THE_ANALYSER) for reason in trouble.reasons
    ):
        stage = "first"
    return _screen(at, stage, trouble, form)


@router.post("/analyse")
def analyse(at: TheVisit, form: Form) -> Response:
    """Look at this answer before the next is asked; after the second reading, record."""
    stage = form.text("stage")
    wrong = _wrong_so_far(at, stage, form)
    if wrong is not None:
        return _screen(at, stage, wrong, form)
    match stage:
        case "analyser":
            return _screen(at, "first", None, form)
        case "first":
            return _screen(at, "second", None, form)
        case _:
            return answer(at, form, lambda: _command(at, form), show_analyse)


def depth_words(oxygen_percent: float, helium_percent: float) -> str:
    """The operating depth of a mix, rounded down, as the estimate it is; empty where the formula has no answer."""
    try:
        mix = Mix(oxygen_fraction=oxygen_percent / 100, helium_fraction=helium_percent / 100)
        metres, feet = mod_m_shown(mix), mod_ft_shown(mix)
    except ValueError:
        return ""
    return (
        f"{metres} m or {feet} ft of sea water at {WORKING_OXYGEN_ATM:g} ATA oxygen (estimate, rounded down)"
    )


def minutes_since(keyed: str, now: dt.datetime) -> int | None:
    """How long ago a time of the shop's clock was; below zero where it lies ahead. More than 12 h ahead was yesterday."""
    found = _TIME.fullmatch(keyed)
    if found is None:
        return None
    then = now.replace(hour=int(found[1]), minute=int(found[2]), second=0, microsecond=0)
    minutes = floor((now - then).total_seconds() / 60)
    return minutes + 24 * 60 if minutes < -12 * 60 else minutes


def _screen(at: At, stage: str, trouble: Trouble | None, form: Posted) -> Response:
    gas = at.visit.gas
    return page(
        at,
        "analyse",
        trouble=trouble,
        kept=form,
        stage=stage,
        carried=_carried(form, stage),
        last=_last_used(at),
        limit_h=at.around.policy.calibration_h,
        pairs=PAIRS_BEFORE_HOLD,
        has_helium=gas.helium_percent > 0,
        depth=depth_words(gas.oxygen_percent, gas.helium_percent),
    )


def _carried(form: Posted, stage: str) -> tuple[tuple[str, str], ...]:
    """What was answered on the screens before this one. The first reading is carried, and not shown."""
    before = {
        "analyser": (),
        "first": ("analyser", "calibrated", "calibrated_in"),
        "second": ("analyser", "calibrated", "calibrated_in", "oxygen", "helium"),
    }
    return tuple((name, form.text(name)) for name in before.get(stage, ()))


def _last_used(at: At) -> LastUsed | None:
    """Read off the cylinders on the floor: the newest analysis whose calibration still counts."""
    limit = dt.timedelta(hours=at.around.policy.calibration_h)
    found = [
        one.analysed
        for one in sorted(at.around.open_visits, key=lambda one: one.analysed_at or at.around.now)
        if isinstance(one.analysed, GasAnalysedTwice) and at.around.now - one.analysed.calibrated_at <= limit
    ]
    if not found:
        return None
    last = found[-1]
    return LastUsed(last.analyser, clock(last.calibrated_at, at.node.settings.tz), last.calibrated_in)


def _wrong_so_far(at: At, stage: str, form: Posted) -> Trouble | None:
    """What this screen's answer would be refused for at the end, said now."""
    if stage not in ("analyser", "first"):
        return None
    try:
        command = _command(at, form, only_analyser=stage == "analyser")
    except ValidationError as wrong:
        return Trouble(misread(wrong, LABELS), 422)
    of_this = _OF_THE_ANALYSER if stage == "analyser" else _OF_A_READING
    found: tuple[Reason, ...] = tuple(
        reason for reason in reasons_against(at, command) if reason.rule_id.startswith(of_this)
    )
    return Trouble(found) if found else None


def _command(at: At, form: Posted, *, only_analyser: bool = False) -> c.Analyse:
    """The command that the form amounts to. Raises ValidationError for what is no number."""
    here = at.around.now.astimezone(at.node.settings.tz)
    answers: dict[str, object] = {
        "oxygen_percent": 21 if only_analyser else _number(form, "oxygen"),
        "analyser": form.text("analyser"),
        "calibrated_min_ago": minutes_since(form.text("calibrated"), here),
        "calibrated_in": form.maybe("calibrated_in"),
    }
    for name, field in (
        ("helium_percent", "helium"),
        ("again_oxygen_percent", "oxygen_again"),
        ("again_helium_percent", "helium_again"),
    ):
        if form.has(field) and not only_analyser:
            answers[name] = _number(form, field)
    if at.visit.gas.helium_percent and not only_analyser and not form.has("helium"):
        answers["helium_percent"] = ""
    return c.Analyse.model_validate(asked(at, form, **answers))


def _number(form: Posted, name: str) -> str:
    """As keyed, with a comma for the point where that is how people write it."""
    return form.text(name).replace(",", ".")
