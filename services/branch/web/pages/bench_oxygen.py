"""Clean for oxygen at the bench: how the cylinder stands, that it was cleaned, that it is over. Decides nothing."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from branch.desk import Outcome
from branch.store import views as look
from branch.web.pages.asking import Form, Posted, Trouble, record
from branch.web.pages.bench_frame import BENCH_LABELS, Bench, TheBench, bench_page
from branch.web.pages.render import go
from cylinder import commands as c
from cylinder.decide.gates import inspector_reasons
from cylinder.oxygen import OxygenService, last_day

router = APIRouter(include_in_schema=False)

_LABELS = {
    **BENCH_LABELS,
    "parts": "what was cleaned",
    "procedure": "the procedure",
    "cleaned_by": "who cleaned it",
    "until": "its last day",
    "why": "why it is over",
}
PARTS = (
    ("cylinder and valve", "Cylinder and valve"),
    ("cylinder", "The cylinder alone"),
    ("valve", "The valve alone"),
)


def service_of(at: Bench) -> OxygenService:
    """Whether it is clean today, from the facts that this shop holds."""
    months = at.around.policy.oxygen_service_months
    with at.node.store.reading() as cursor:
        return look.oxygen_service(cursor, at.standing, at.around.today, months)


@router.get("/bench/{cylinder_id}/oxygen")
def oxygen(at: TheBench) -> Response:
    """How it stands, and what may be recorded of it."""
    return _page(at, None, Posted())


@router.post("/bench/{cylinder_id}/oxygen")
def clean(at: TheBench, form: Form) -> Response:
    """It was cleaned."""

    def make() -> c.CleanForOxygen:
        return c.CleanForOxygen.model_validate(
            {
                "key": form.text("key"),
                "cylinder_id": at.standing.cylinder_id,
                **{
                    name: form.text(name)
                    for name in ("performed_on", "parts", "procedure", "cleaned_by", "until")
                },
            }
        )

    done = record(at.node, at.session, make, _LABELS)
    return go(f"{at.here}/oxygen") if isinstance(done, Outcome) else _page(at, done, form)


@router.post("/bench/{cylinder_id}/oxygen/over")
def over(at: TheBench, form: Form) -> Response:
    """It is not clean any more; anybody may say so."""

    def make() -> c.EndOxygenService:
        return c.EndOxygenService.model_validate(
            {"key": form.text("key"), "cylinder_id": at.standing.cylinder_id, "why": form.text("why")}
        )

    done = record(at.node, at.session, make, _LABELS)
    return go(f"{at.here}/oxygen") if isinstance(done, Outcome) else _page(at, done, form)


def _page(at: Bench, trouble: Trouble | None, form: Posted) -> Response:
    rules, months, today = at.node.desk.rules, at.around.policy.oxygen_service_months, at.around.today
    until = last_day(today, today.replace(year=today.year + 5, day=1), months)
    return bench_page(
        at,
        "oxygen",
        trouble=trouble,
        kept=form,
        service=service_of(at),
        parts=PARTS,
        today=today.isoformat(),
        until=until.isoformat(),
        months=months,
        why_not=[one.words for one in inspector_reasons(at.around)],
        rules=[rules.rule(one) for one in ("oxygen.equipment", "oxygen.cleaned", "oxygen.blending")],
        known_as=at.session.person.known_as,
    )
