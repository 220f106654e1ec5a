"""The analysis: what the analyser showed, and how deep that may be breathed. Depths are estimates and say so."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from branch.web.pages.asking import Form, Posted, Trouble
from branch.web.pages.steps_frame import NOTHING, At, TheVisit, answer, asked, page
from cylinder import commands as c
from gas.depth import WORKING_OXYGEN_ATM, mod_ft_shown, mod_m_shown
from gas.mixture import Mix

router = APIRouter()


def show_analyse(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The measured mix, read with the diver."""
    gas = at.visit.gas
    return page(
        at,
        "analyse",
        trouble=trouble,
        kept=form,
        has_helium=gas.helium_percent > 0,
        depth=depth_words(gas.oxygen_percent, gas.helium_percent),
    )


@router.post("/analyse")
def analyse(at: TheVisit, form: Form) -> Response:
    """Record the analysis."""
    answers: dict[str, object] = {"oxygen_percent": form.text("oxygen")}
    if form.has("helium"):
        answers["helium_percent"] = form.text("helium")
    return answer(at, form, lambda: c.Analyse.model_validate(asked(at, form, **answers)), show_analyse)


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
