"""The visual inspection by its form: what was found and measured, what the rules propose, what the inspector confirms.

Two pages and one record. Nothing is judged here: the criteria and the proposal are asked of the domain. What was keyed
goes from page to page in the form itself, so that a mistake loses nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, cast, get_args

from fastapi import APIRouter
from pydantic import ValidationError
from starlette.responses import Response

from branch.desk import Outcome as Recorded
from branch.web.pages.asking import Form, Posted, Trouble, plain, record
from branch.web.pages.bench_frame import BENCH_LABELS, Bench, TheBench, bench_page
from branch.web.pages.render import go
from cylinder import commands as c
from cylinder.decide.gates import inspector_reasons, specs_claimed
from cylinder.decide.inspect import FROM_MILDEST, Proposed, beforehand, proposal
from cylinder.facts.inspection import UNITS, Material, Outcome, Quantity
from cylinder.refusal import Reason
from rulebook import Criterion, condemn_criteria, form_of, reject_criteria

router = APIRouter(include_in_schema=False)

MATERIALS: Final[tuple[Material, ...]] = get_args(Material)
_NOT_BY_EYE: Final = frozenset({"expansion", "elastic expansion"})
_DEFECT_WORDS: Final[Mapping[str, str]] = {
    "leak": "Leaks through its wall",
    "crack": "Crack in wall, shoulder or base",
    "neck crack": "Crack, fold or valley in the neck threads",
    "dig": "Cut, dig or gouge",
    "pit": "Pit, the deepest",
    "line corrosion": "Corrosion in a line",
    "general corrosion": "Corrosion over an area",
    "dent": "Dent, the worst",
    "bulge": "Bulge",
    "burn": "Arc burn, torch burn, or fire",
    "heat": "It was hot: seen or known",
    "fibre damage": "Fibres cut or broken",
    "delamination": "Layers coming apart",
    "neck thread": "Neck threads worn or corroded",
    "thread mismatch": "Valve thread is not the neck's",
    "valve": "Valve is defective",
    "relief device": "Relief device is wrong or missing",
    "marks": "Marks cannot be read",
    "dirt inside": "Dirt, oil or water inside",
    "coating": "New paint or a coating over it",
    "pamphlet": "Another limit of the inspection standard",
    "abuse": "Abused, or harmfully rusted",
    "accident": "Was in an accident",
    "age": "Its service life is over",
}
_QUANTITIES: Final[Mapping[str, tuple[Quantity, ...]]] = {
    "depth_mm": ("depth",),
    "length_mm": ("length",),
    "percent_of_wall": ("depth",),
    "percent_of_surface": ("area",),
    "percent_of_dent_width": ("depth", "width"),
    "width_in_depths": ("depth", "width"),
    "depth_percent_of_diameter": ("depth",),
    "length_percent_of_diameter": ("length",),
    "width_percent_of_diameter": ("width",),
    "percent_of_circumference": ("circumference",),
    "temperature_c": ("temperature",),
    "thread_lengths": ("threads",),
}
"""What an inspector keys for each measure of a criterion; shares of wall and diameter are worked out."""
_QUANTITY_WORDS: Final[Mapping[Quantity, str]] = {
    "depth": "Depth",
    "length": "Length",
    "width": "Width",
    "area": "Share of the outside, %",
    "circumference": "Girth differs by, %",
    "temperature": "How hot",
    "threads": "Thread lengths",
}
_OUTCOME_WORDS: Final[Mapping[Outcome, tuple[str, str]]] = {
    "pass": ("Pass", "fit for use until the next look"),
    "fail": ("Fail", "not filled until an inspector has passed it"),
    "reject": ("Reject", "not filled until repaired and requalified"),
    "condemn": ("Condemn", "for good, in every shop"),
}


@dataclass(frozen=True)
class Row:
    """One kind of finding on the form: what is asked about it, and the criteria with their sources."""

    slug: str
    defect: str
    words: str
    quantities: tuple[tuple[Quantity, str], ...]
    criteria: tuple[Criterion, ...]


def rows_of(at: Bench, material: Material) -> tuple[Row, ...]:
    """What the rules in force ask about a cylinder of this material; what is measured stands first."""
    asked: dict[str, list[Criterion]] = {}
    for one in form_of(at.node.desk.rules, material):
        if one.meets is not None and one.meets.defect not in _NOT_BY_EYE:
            asked.setdefault(one.meets.defect, []).append(one)
    rows = [
        Row(
            slug=defect.replace(" ", "-"),
            defect=defect,
            words=_DEFECT_WORDS.get(defect, defect.capitalize()),
            quantities=tuple((one, _QUANTITY_WORDS[one]) for one in _asked_for(criteria)),
            criteria=tuple(criteria),
        )
        for defect, criteria in asked.items()
    ]
    order = tuple(_DEFECT_WORDS)
    return tuple(sorted(rows, key=lambda row: (not row.quantities, order.index(row.defect))))


@router.get("/bench/{cylinder_id}/inspect")
def inspecting(at: TheBench, material: str = "") -> Response:
    """The form for the material; without one that follows from the record, which material it is."""
    if not (chosen := _material(material) or _on_record(at)):
        return _with_authority(at, lambda: bench_page(at, "inspect_material", materials=MATERIALS))
    return _with_authority(at, lambda: _form_page(at, chosen, None, Posted()))


@router.post("/bench/{cylinder_id}/inspect")
def inspect(at: TheBench, form: Form) -> Response:
    """From what was found to the proposal, and from the confirmed outcome to the record."""
    material = _material(form.text("material"))
    if material is None:
        return go(f"{at.here}/inspect")
    return _with_authority(at, lambda: _step(at, material, form))


def _step(at: Bench, material: Material, form: Posted) -> Response:
    rows = rows_of(at, material)
    if form.text("stage") == "again":
        return _form_page(at, material, None, form)
    asked = _asked(at, form, material, rows)
    try:
        command = c.Inspect.model_validate(asked)
    except ValidationError as wrong:
        every = dict.fromkeys((*_misread(wrong, asked, rows), *_against_the_rest(at, asked, material)))
        return _form_page(at, material, Trouble(tuple(every), 422), form)
    if reasons := beforehand(command, at.standing, at.around):
        return _form_page(at, material, Trouble(reasons), form)
    proposed = proposal(at.node.desk.rules, at.standing.marks, command.looked)
    outcome = form.text("outcome")
    if form.text("stage") != "confirm":
        return _confirm_page(at, material, proposed, None, form)
    if outcome not in FROM_MILDEST:
        trouble = Trouble((Reason("inspect.choose", "Choose the outcome.", "input"),), 422)
        return _confirm_page(at, material, proposed, trouble, form)
    if outcome == "condemn" and form.text("held") != "yes":
        asked_before = proposed.outcome == "condemn" or form.text("asked") == "condemn"
        said = "Press the red button and hold it for two seconds. Without script, tick the box beside it."
        unheld = Trouble((Reason("input.held", said, "input"),), 422) if asked_before else None
        return _confirm_page(at, material, proposed, unheld, form, condemns=True)
    done = record(at.node, at.session, lambda: command, BENCH_LABELS)
    if isinstance(done, Recorded):
        return go(at.here)
    return _confirm_page(at, material, proposed, done, form, condemns=outcome == "condemn")


def _against_the_rest(at: Bench, asked: Mapping[str, object], material: Material) -> tuple[Reason, ...]:
    """What stands against it besides what cannot be read: who, which day, which material."""
    plain_one = {"looked": {"material": material}, "outcome": "pass"}
    kept = {name: asked[name] for name in ("key", "cylinder_id", "performed_on", "evidence")}
    try:
        command = c.Inspect.model_validate({**kept, **plain_one})
    except ValidationError:
        return ()
    return beforehand(command, at.standing, at.around)


def _with_authority(at: Bench, show: Callable[[], Response]) -> Response:
    why_not = [one.words for one in inspector_reasons(at.around)]
    return bench_page(at, "may_not", why_not=why_not) if why_not else show()


def _material(text: str) -> Material | None:
    return next((one for one in MATERIALS if one == text), None)


def _on_record(at: Bench) -> Material | None:
    """What the record says it is made of, where that leaves no doubt."""
    rules = at.node.desk.rules
    metals = {rules.specification(key).metal for key in specs_claimed(rules, at.standing.marks)}
    return _material(metals.pop()) if len(metals) == 1 else None


def _form_page(at: Bench, material: Material, trouble: Trouble | None, form: Posted) -> Response:
    return bench_page(
        at,
        "inspect",
        trouble=trouble,
        kept=form,
        material=material,
        rows=rows_of(at, material),
        found=set(form.all("found")),
        today=at.around.today.isoformat(),
        rules=at.node.desk.rules,
    )


def _confirm_page(
    at: Bench,
    material: Material,
    proposed: Proposed,
    trouble: Trouble | None,
    form: Posted,
    *,
    condemns: bool = False,
) -> Response:
    rules = at.node.desk.rules
    condemns = condemns or proposed.outcome == "condemn"
    criteria = condemn_criteria(rules) if condemns else (*reject_criteria(rules), *condemn_criteria(rules))
    return bench_page(
        at,
        "inspect_confirm",
        trouble=trouble,
        kept=form,
        carried=[pair for pair in form.pairs if pair[0] not in _OF_CONFIRMING],
        material=material,
        proposed=proposed,
        title_of=_OUTCOME_WORDS[proposed.outcome][0],
        outcomes=[(one, *_OUTCOME_WORDS[one]) for one in FROM_MILDEST],
        condemns=condemns,
        criteria=[
            ("", "The one that is met, or choose"),
            *(
                (one.id, f"{one.words} [{one.citation()}]")
                for one in criteria
                if one.metal in ("any", material)
            ),
        ],
        words_of=lambda defect: _DEFECT_WORDS.get(defect, defect),
    )


_OF_CONFIRMING: Final = frozenset(
    {"key", "stage", "outcome", "overruled_because", "criterion", "last_four", "held", "asked"}
)


def _asked_for(criteria: list[Criterion]) -> tuple[Quantity, ...]:
    wanted = dict.fromkeys(
        quantity
        for one in criteria
        if one.meets is not None and one.meets.measure is not None
        for quantity in _QUANTITIES.get(one.meets.measure, ())
    )
    return tuple(one for one in get_args(Quantity) if one in wanted)


def _asked(at: Bench, form: Posted, material: Material, rows: tuple[Row, ...]) -> dict[str, object]:
    """The form as the command that it describes. Until an outcome is chosen it stands for the mildest."""
    lengths = {
        name: {"value": _number(form.text(name)), "unit": form.text("unit")}
        for name in ("wall", "diameter")
        if form.has(name)
    }
    found = [one for row in rows if (one := _found(form, row)) is not None]
    alloy = form.text("alloy") or "not known"
    rated = {"value": form.text("rated"), "unit": form.text("rated_unit")} if form.has("rated") else None
    return {
        "key": form.text("key"),
        "cylinder_id": at.standing.cylinder_id,
        "performed_on": form.text("performed_on"),
        "evidence": form.text("evidence"),
        "looked": {"material": material, "alloy": alloy, "found": found, **lengths},
        "outcome": form.text("outcome") or "pass",
        "notes": form.text("notes"),
        "overruled_because": form.text("overruled_because"),
        "criterion_id": form.text("criterion"),
        "last_four": form.text("last_four"),
        "rated": rated,
    }


def _found(form: Posted, row: Row) -> dict[str, object] | None:
    """A finding is there when it is ticked or anything of it was keyed."""
    measures = [
        {
            "what": quantity,
            "value": _number(form.text(f"{row.slug}.{quantity}")),
            "unit": _unit(form, quantity),
        }
        for quantity, _ in row.quantities
        if form.has(f"{row.slug}.{quantity}")
    ]
    where = form.text(f"{row.slug}.where")
    if not (measures or where or row.slug in form.all("found")):
        return None
    return {"defect": row.defect, "measures": measures, "where": where}


def _number(text: str) -> str:
    """A comma between two figures is a point."""
    return re.sub(r"^(\d+),(\d+)$", r"\1.\2", text)


def _unit(form: Posted, quantity: Quantity) -> str:
    units = UNITS[quantity]
    if quantity == "temperature":
        return form.text("temperature_unit") or units[0]
    return form.text("unit") or units[0] if len(units) > 1 else units[0]


def _misread(
    wrong: ValidationError, asked: Mapping[str, object], rows: tuple[Row, ...]
) -> tuple[Reason, ...]:
    """Each fault once, naming the finding and the measure that it is about."""
    looked = cast("dict[str, list[dict[str, list[dict[str, str]]]]]", asked["looked"])
    words = {row.defect: row.words for row in rows}
    labels = {**BENCH_LABELS, "wall": "wall", "diameter": "diameter", "rated": "rated pressure"}
    reasons: list[Reason] = []
    for error in wrong.errors():
        match error["loc"]:
            case ("looked", "found", int(place), "measures", int(nth), *_):
                finding = looked["found"][place]
                what = cast("Quantity", finding["measures"][nth]["what"])
                named = f"{words[str(finding['defect'])]}, {_QUANTITY_WORDS[what].lower()}"
            case ("looked", "found", int(place), *_):
                named = words[str(looked["found"][place]["defect"])]
            case place:
                known = [labels[str(part)] for part in place if str(part) in labels]
                named = known[0] if known else str(place[-1]).replace("_", " ")
        reasons.append(
            Reason("input.inspect", f"{named[:1].upper()}{named[1:]}: {plain(error['msg'])}", "input")
        )
    return tuple(dict.fromkeys(reasons))
