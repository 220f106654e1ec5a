"""The pressure test at the bench: readings in, what follows from them, and the stamp that is the result.

Nothing is judged here. A test that condemns is offered nothing but to condemn; what was keyed is never lost.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from fastapi import APIRouter
from pydantic import ValidationError
from starlette.responses import Response

from branch.desk import Outcome
from branch.web.pages import words
from branch.web.pages.asking import Form, Posted, Trouble, record
from branch.web.pages.bench_frame import BENCH_LABELS, Bench, TheBench, bench_page, faults
from branch.web.pages.render import go
from cylinder import commands as c
from cylinder.decide.gates import inspector_reasons, specs_claimed
from cylinder.decide.judging import judging_reasons
from cylinder.decide.pressure_test import Follows, follows, needs_eddy_current, passing_reasons
from cylinder.refusal import Reason
from rulebook import YearMonth, judge_requalification, plus_conditions

router = APIRouter(include_in_schema=False)

_LABELS: Final[Mapping[str, str]] = {
    "rated": "rated pressure",
    "test_pressure": "test pressure",
    "held_s": "seconds at test pressure",
    "ree_cc": "marked elastic expansion (REE)",
    "crack_thread_lengths": "crack in thread lengths",
    "eddy_by": "who made the eddy current inspection",
    "rin": "requalifier's number",
    "alloy": "alloy",
    **{
        name: label
        for name, label in BENCH_LABELS.items()
        if name in ("method", "total_expansion_cc", "permanent_expansion_cc", "requalifier", "performed_on")
    },
}
_SIGNS: Final = {"ultrasonic": "UE", "proof": "S"}
_OF_CONFIRMING: Final = frozenset({"key", "stage", "last_four", "held"})


@dataclass(frozen=True)
class Mark:
    """What is stamped: month and year, the square of the requalifier's number, signs behind it, and until when it counts."""

    month: str
    year: str
    upper: str
    lower: str
    signs: str
    due: str


@router.get("/bench/{cylinder_id}/requalified")
def testing(at: TheBench) -> Response:
    """The readings of a test."""
    return _with_authority(at, lambda: _form_page(at, None, Posted()))


@router.post("/bench/{cylinder_id}/requalified")
def test(at: TheBench, form: Form) -> Response:
    """From the readings to what follows, and from there to the record."""
    return _with_authority(at, lambda: _step(at, form))


def _step(at: Bench, form: Posted) -> Response:
    if form.text("stage") == "again":
        return _form_page(at, None, form)
    asked = _asked(at, form)
    try:
        command = c.Requalify.model_validate(asked)
    except ValidationError as wrong:
        every = dict.fromkeys((*faults(wrong, _LABELS), *_against_the_rest(at, asked, wrong)))
        return _form_page(at, Trouble(tuple(every), 422), form)
    found = follows(command, at.standing, at.around)
    if found.condemns:
        return _condemn(at, form, command, found)
    beforehand = passing_reasons(command, at.standing, at.around)
    if reasons := tuple(dict.fromkeys((*beforehand, *found.against))):
        return _form_page(at, Trouble(reasons), form)
    if form.text("stage") != "confirm":
        return _result_page(at, "test_passed", found, command, None, form)
    done = record(at.node, at.session, lambda: command, BENCH_LABELS)
    return go(at.here) if isinstance(done, Outcome) else _form_page(at, done, form)


def _against_the_rest(at: Bench, asked: dict[str, object], wrong: ValidationError) -> list[Reason]:
    """What stands against the readings that can be read, so that every reason is said at once."""
    faulty = {str(part) for error in wrong.errors() for part in error["loc"]}
    expansions = {"total_expansion_cc", "permanent_expansion_cc"}
    missing = {"requalify.expansion", "requalify.plus-elastic"} if faulty & expansions else set()
    if faulty & {"rated", "test_pressure"}:
        missing.add("requalify.pressure")
    if "crack_thread_lengths" in faulty:
        missing |= {"requalify.eddy-method", f"{at.node.desk.rules.jurisdiction}.alloy.eddy_current"}
    rest = {name: said for name, said in asked.items() if name not in faulty}
    rest = {name: said for name, said in rest.items() if not (faulty & expansions and name in expansions)}
    inner = asked["test"]
    if isinstance(inner, dict):
        rest["test"] = {name: said for name, said in inner.items() if name not in faulty}
    rest |= {"performed_on": at.around.today} if "performed_on" in faulty else {}
    rest |= {"method": "hydrostatic"} if "method" in faulty else {}
    try:
        command = c.Requalify.model_validate(rest)
    except ValidationError:
        return []
    found = (*judging_reasons(command, at.around), *follows(command, at.standing, at.around).against)
    return [one for one in found if one.rule_id not in missing]


def _condemn(at: Bench, form: Posted, command: c.Requalify, found: Follows) -> Response:
    """Nothing else is offered. Other faults of the readings do not stand in the way of bad news."""
    trouble = None
    if reasons := judging_reasons(command, at.around):
        return _form_page(at, Trouble(tuple(reasons)), form)
    if form.text("stage") == "confirm":
        if form.text("held") == "yes":
            final = command.model_copy(update={"outcome": "condemn", "last_four": form.text("last_four")})
            done = record(at.node, at.session, lambda: final, BENCH_LABELS)
            if isinstance(done, Outcome):
                return go(at.here)
            trouble = done
        else:
            said = "Press the red button and hold it for two seconds. Without script, tick the box beside it."
            trouble = Trouble((Reason("input.held", said, "input"),), 422)
    return _result_page(at, "test_condemns", found, command, trouble, form)


def _asked(at: Bench, form: Posted) -> dict[str, object]:
    return {
        "key": form.text("key"),
        "cylinder_id": at.standing.cylinder_id,
        "performed_on": form.text("performed_on"),
        "evidence": form.text("evidence"),
        "method": form.text("method"),
        "total_expansion_cc": _number(form, "total"),
        "permanent_expansion_cc": _number(form, "permanent"),
        "requalifier": form.text("requalifier"),
        "rated": _pressure(form, "rated", "unit"),
        "test": {
            "test_pressure": _pressure(form, "test_pressure", "test_unit"),
            "held_s": form.maybe("held_s"),
            "ree_cc": _number(form, "ree"),
            "wants_plus": form.has("wants_plus"),
            "are_plus_conditions_met": form.has("plus_conditions"),
            "alloy": form.text("alloy") or "not known",
            "crack_thread_lengths": _number(form, "crack"),
            "eddy_by": form.text("eddy_by"),
            "rin": form.text("rin"),
        },
    }


def _number(form: Posted, name: str) -> str | None:
    """As keyed; a comma between two figures is a point."""
    return re.sub(r"^(\d+),(\d+)$", r"\1.\2", form.text(name)) or None


def _pressure(form: Posted, name: str, unit: str) -> dict[str, str] | None:
    return {"value": form.text(name), "unit": form.text(unit)} if form.has(name) else None


def _with_authority(at: Bench, show: Callable[[], Response]) -> Response:
    why_not = [one.words for one in inspector_reasons(at.around)]
    return bench_page(at, "may_not", why_not=why_not) if why_not else show()


def _form_page(at: Bench, trouble: Trouble | None, form: Posted) -> Response:
    rules = at.node.desk.rules
    known = [rules.specification(key) for key in specs_claimed(rules, at.standing.marks)]
    metals = {one.metal for one in known}
    return bench_page(
        at,
        "requalified",
        trouble=trouble,
        kept=form,
        today=at.around.today.isoformat(),
        expansion=rules.rule("condemn.expansion"),
        asks_alloy=not known or bool(metals & {"aluminium", "any"}),
        needs_eddy=needs_eddy_current(rules, at.standing),
        eddy_rule=rules.rule_or_none("alloy.eddy_current"),
        may_plus=any(one.may_carry_plus for one in known),
        plus_rules=plus_conditions(rules),
        caution=rules.caution,
    )


def _result_page(
    at: Bench, template: str, found: Follows, command: c.Requalify, trouble: Trouble | None, form: Posted
) -> Response:
    return bench_page(
        at,
        template,
        trouble=trouble,
        kept=form,
        carried=[pair for pair in form.pairs if pair[0] not in _OF_CONFIRMING],
        found=found,
        tested=found.tested,
        shown=_shown(found, command),
        mark=_mark(at, command, found),
    )


def _shown(found: Follows, command: c.Requalify) -> list[tuple[str, str]]:
    tested, rows = found.tested, []
    if tested.permanent_percent is not None:
        percent = _percent(tested.permanent_percent)
        rows = [
            ("Total expansion", f"{tested.total_expansion_cc:g} cc"),
            ("Permanent expansion", f"{tested.permanent_expansion_cc:g} cc, {percent} of the total"),
            ("Elastic expansion", f"{tested.elastic_cc:g} cc"),
        ]
    if tested.readings.ree_cc is not None:
        rows.append(("Marked REE", f"{tested.readings.ree_cc:g} cc"))
    if command.test is not None and command.test.test_pressure is not None:
        rows.append(("Test pressure", words.both(command.test.test_pressure)))
    if (lengths := tested.readings.crack_thread_lengths) is not None:
        crack = f"a crack of {lengths:g} thread lengths" if lengths else "no crack"
        rows.append(("Eddy current", f"{crack}; {tested.readings.eddy_by or 'on your own certificate'}"))
    return rows


def _percent(percent: float) -> str:
    """With as many decimals as it takes to be seen above ten: 10.04 % is not shown as 10.0 %."""
    places = next((one for one in range(1, 6) if (round(percent, one) > 10) == (percent > 10)), 6)
    return f"{percent:.{places}f} %"


def _mark(at: Bench, command: c.Requalify, found: Follows) -> Mark:
    """The date of the test with the number clockwise in its square, and the signs behind it."""
    rules, month = at.node.desk.rules, YearMonth.of(command.performed_on)
    dues = [
        due
        for key in specs_claimed(rules, at.standing.marks)
        if (due := judge_requalification(rules, key, month, at.around.today, stamp=None)[1]) is not None
    ]
    tested, rin = found.tested, found.tested.readings.rin
    eddy = "VE" if tested.has_eddy_current else ""
    signs = " ".join(
        part for part in (_SIGNS.get(command.method, ""), eddy, "+" if tested.has_plus else "") if part
    )
    return Mark(
        month=str(month.month),
        year=f"{month.year % 100:02d}",
        upper=rin[:2],
        lower=rin[3:4] + rin[2:3],
        signs=signs,
        due=words.month(str(min(dues))) if dues else "",
    )
