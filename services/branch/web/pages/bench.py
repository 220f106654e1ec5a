"""The bench: what waits there, putting a cylinder on record, and one cylinder with all that is held against it."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from branch import against
from branch.against import Names
from branch.desk import Outcome
from branch.history import line
from branch.node import Node
from branch.people import Session
from branch.store import views as look
from branch.web.gate import SignedIn, TheNode
from branch.web.pages import bench_inspect, bench_judge, bench_oxygen, bench_test, words
from branch.web.pages.asking import Form, Posted, Trouble, record
from branch.web.pages.bench_frame import (
    BENCH,
    BENCH_LABELS,
    TheBench,
    bench_page,
    certificate_words,
    rule_words,
)
from branch.web.pages.find import standing_words
from branch.web.pages.render import go, names_of, render
from branch.web.pages.steps_greet import LookAlikeRow, marks_in, row_of, spec_options
from cylinder import commands as c
from cylinder.decide.gates import inspector_reasons
from cylinder.facts import Condemned, OwnerNotified, Rejected, Requalified
from cylinder.near import bare
from cylinder.recorded import Recorded
from cylinder.standing import Standing
from rulebook import YearMonth, judge_visual

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True)
class BenchRow:
    """One cylinder that waits at the bench."""

    href: str
    serial: str
    words: str
    strong: str
    kind: str


@router.get("/bench")
def waiting(request: Request, node: TheNode, session: SignedIn, serial: str = "") -> Response:
    """What is held or failed, what was condemned and can still hold pressure, what is due for a look inside."""
    serial = serial.strip()[:32]
    with node.store.reading() as cursor:
        standings = look.every_standing(cursor)
        found = look.near_serial(cursor, serial) if bare(serial) else ()
        names = names_of(node, cursor)
    held = [one for one in standings if one.blocks and not one.is_condemned and one.marks]
    whole = [
        one
        for one in standings
        if one.is_condemned and one.marks and not _has(one, "cylinder.rendered_unusable")
    ]
    due = [one for one in standings if one.is_clear and one.marks and _is_due(one, node)]
    return render(
        request,
        "bench/list.html",
        title="Bench",
        session=session,
        serial=serial,
        found=[_row(one.standing, names, why=one.likeness.why) for one in found],
        held=[_row(one, names) for one in held],
        whole=[_row(one, names) for one in whole],
        due=[_row(one, names, why=_due_words(one)) for one in due],
        certificate=certificate_words(session),
    )


@router.get("/bench/register")
def registering(request: Request, node: TheNode, session: SignedIn, serial: str = "") -> Response:
    """Put a cylinder on record by its marks."""
    return _register_page(request, node, session, None, Posted((("serial", serial[:32]),)))


@router.post("/bench/register")
def register(request: Request, node: TheNode, session: SignedIn, form: Form) -> Response:
    """On record, or every reason why not yet."""

    def make() -> c.Register:
        return c.Register.model_validate(
            {
                "key": form.text("key"),
                "marks": marks_in(form),
                "second_serial": form.maybe("second_serial"),
                "is_another": form.has("is_another"),
            }
        )

    done = record(node, session, make, BENCH_LABELS)
    if isinstance(done, Outcome):
        return go(f"/bench/{done.cylinder_id}")
    return _register_page(request, node, session, done, form)


@router.get("/bench/{cylinder_id}")
def cylinder(at: TheBench) -> Response:
    """One cylinder: what is held against it, its life, and what may be recorded."""
    return bench_page(
        at,
        "cylinder",
        lines=[
            (
                block,
                [
                    pair
                    for pair in against.block_lines(block, at.names, at.node.settings.tz)
                    if not (block.is_hold and pair[0] == "Rule")  # A hold has a name for programs, no clause.
                ],
            )
            for block in at.standing.blocks
        ],
        rows=[
            (
                words.day(one.performed_on),
                at.names.shop(one.node),
                at.names.person(one.actor),
                line(one, is_veiled=at.is_veiled) + _percent(one),
            )
            for one in at.records
        ],
        why_not=[reason.words for reason in inspector_reasons(at.around)],
        notified={str(one.fact.about) for one in at.records if isinstance(one.fact, OwnerNotified)},
        must_notify={Condemned.KIND, Rejected.KIND},
        is_unusable=_has(at.standing, "cylinder.rendered_unusable"),
        mark=rule_words(at, "condemned.mark"),
        notice_rule=rule_words(at, "condemned.notice"),
        visit=at.visit,
        oxygen=bench_oxygen.service_of(at),
        proposals=[(one, at.names.person(one.proposed.actor), at.may_second(one)) for one in at.proposals],
    )


def _register_page(
    request: Request, node: Node, session: Session, trouble: Trouble | None, form: Posted
) -> Response:
    serial = form.text("serial")
    rows: tuple[LookAlikeRow, ...] = ()
    with node.store.reading() as cursor:
        names = names_of(node, cursor)
        if trouble is not None and bare(serial):
            rows = tuple(row_of(one, names.shops) for one in look.near_serial(cursor, serial))
    asks_again = trouble is not None and trouble.has("identify.second-reading")
    return render(
        request,
        "bench/register.html",
        title="Bench",
        back=BENCH,
        session=session,
        status=trouble.status if trouble else 200,
        trouble=None if asks_again else trouble,
        kept=form,
        rows=() if asks_again else rows,
        asks_again=asks_again,
        asks_another=trouble is not None and trouble.has("identify.look-alike"),
        specs=spec_options(node.desk.rules),
    )


def _row(standing: Standing, names: Names, *, why: str = "") -> BenchRow:
    kind, strong, reason = standing_words(standing, names)
    marks = standing.marks[0]
    return BenchRow(
        href=f"/bench/{standing.cylinder_id}",
        serial=f"{marks.serial}, {marks.maker} {marks.spec}".replace("  ", " "),
        words=". ".join(part for part in (why, reason) if part),
        strong=strong if kind else "",
        kind=kind,
    )


def _has(standing: Standing, kind: str) -> bool:
    return any(block.kind == kind for block in standing.blocks)


def _is_due(standing: Standing, node: Node) -> bool:
    """The bench's own record of a look inside runs out this month, or has."""
    if standing.looked_inside is None:
        return False
    today = node.desk.today()
    findings, due = judge_visual(node.desk.rules, YearMonth.parse(standing.looked_inside), today)
    return bool(findings) or due == YearMonth.of(today)


def _due_words(standing: Standing) -> str:
    return f"Looked inside {words.month(standing.looked_inside)}"


def _percent(one: Recorded) -> str:
    fact = one.fact
    if (
        not isinstance(fact, Requalified)
        or not fact.total_expansion_cc
        or fact.permanent_expansion_cc is None
    ):
        return ""
    part = fact.permanent_expansion_cc / fact.total_expansion_cc
    signs = " Plus." if fact.test is not None and fact.test.has_plus else ""
    return f" Permanent {fact.permanent_expansion_cc:g} of {fact.total_expansion_cc:g} cc, {part:.1%}.{signs}"


router.include_router(bench_oxygen.router)
router.include_router(bench_test.router)
router.include_router(bench_inspect.router)  # Before the judgements, whose address takes any last word.
router.include_router(bench_judge.router)
