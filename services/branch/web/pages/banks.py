"""The banks: what the bottles hold, and what the next fills would do to them. Works out and shows; never records."""

from __future__ import annotations

from dataclasses import dataclass, replace
from uuid import UUID

from fastapi import APIRouter, Request
from starlette.exceptions import HTTPException
from starlette.responses import Response

from branch import banks as kept
from branch.banks_asked import Fields, Question, flow_unit, read_fields, usual
from branch.banks_queue import Assumed, Queue, queue
from branch.node import Node
from branch.store import views as look
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.banks_chart import bottle_bars, sinking
from branch.web.pages.render import render
from cylinder.refusal import Reason
from gas.bank import Waiting
from gas.pressure import Pressure
from gas.quantity import Amount, in_unit
from plant.bank_decide import strays
from plant.bank_state import BankState, BottleState
from plant.what_if import WhatIf, what_if, with_gauges

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True)
class BottleRow:
    """One bottle in words."""

    name: str
    now: str
    how: str
    read: str
    holds: str
    service: str
    is_over: bool
    is_withdrawn: bool


@dataclass(frozen=True)
class Answer:
    """What the page shows of one what-if."""

    found: WhatIf
    queue: Queue
    more: int
    waiting_full: int
    more_full: int


@router.get("/banks")
def index(request: Request, node: TheNode, session: SignedIn) -> Response:
    """Every bank; or how to set one up."""
    shown = [(bank, rows_of(bank), bottle_bars(bank), strays(bank)) for bank in all_of(node)]
    listed = [gas.name.casefold() for gas in node.gases.on_hand()]
    return render(request, "banks.html", title="Banks", session=session, banks=shown, listed=listed)


@router.get("/banks/{bank_id}")
def one(request: Request, bank_id: UUID, node: TheNode, session: SignedIn) -> Response:
    """What if these cylinders were filled now. What is keyed stands in the address and nowhere else."""
    bank = bank_or_404(node, bank_id)
    fields = _fields(request, bank, usual(bank.unit, _waiting_count(node, bank)))
    found = _answer(node, bank, fields)
    answer = found if isinstance(found, Answer) else None
    reasons = found if isinstance(found, tuple) else ()
    return render(
        request, "bank_what_if.html", title=bank.name, session=session, bank=bank, rows=rows_of(bank), bars=bottle_bars(bank),
        strays=strays(bank), fields=fields, flow=flow_unit(bank.unit), answer=answer, reasons=reasons,
        plot=None if answer is None else sinking(answer.found.courses, answer.found.best), steps=_steps(answer),
        giving=bank.giving, status=422 if reasons else 200,
    )  # fmt: skip


def all_of(node: Node) -> tuple[BankState, ...]:
    """The banks of this shop now."""
    return kept.banks_now(node)


def bank_or_404(node: Node, bank_id: UUID) -> BankState:
    """The bank that an address names."""
    found = next((bank for bank in all_of(node) if bank.bank_id == bank_id), None)
    if found is None:
        raise HTTPException(404)
    return found


def rows_of(bank: BankState) -> tuple[BottleRow, ...]:
    """Each bottle: what it holds, how sure that is, and since when."""
    return tuple(_row(bank, bottle) for bottle in bank.bottles)


def _row(bank: BankState, bottle: BottleState) -> BottleRow:
    gauge, within = bank.gauge(bottle), bank.gauge_within(bottle)
    blank = BottleRow(
        bottle.name, "not read", "nobody knows", "never", "", bottle.service.words(), bank.is_over_service(bottle), bottle.is_withdrawn
    )  # fmt: skip
    if gauge is None or within is None or bottle.mol is None or bottle.read is None:
        return replace(blank, now="withdrawn", how=bottle.withdrawn_why) if bottle.is_withdrawn else blank
    said = f"{bottle.read.words()} at {bottle.read_c or 0:.0f} °C"
    if bottle.is_withdrawn:
        return replace(blank, now="withdrawn", how=bottle.withdrawn_why, read=said)
    off = f"give or take {max(1.0, within.value):.0f} {within.unit}"
    how = (
        f"estimate over {bottle.fills_since} fill{'s' if bottle.fills_since > 1 else ''}, {off}"
        if bottle.is_estimate
        else f"read, {off}"
    )
    free = Amount(bank.mix, bottle.mol).free_litre() / 1000
    return replace(
        blank, now=("about " if bottle.is_estimate else "") + gauge.words(), how=how, read=said,
        holds=f"{bottle.mol:.0f} ± {min(bottle.mol, bottle.within_mol):.0f} mol, {free:.1f} m³ at 1 atm",
    )  # fmt: skip


def _waiting_count(node: Node, bank: BankState) -> int:
    """How many wait by the usual figures."""
    asked = read_fields(replace(usual(bank.unit, 0), gauges=("",) * len(bank.giving)), bank, bank.unit)
    return len(_queue(node, bank, asked.assumed).line) if isinstance(asked, Question) else 0


def _steps(answer: Answer | None) -> tuple[tuple[str, ...], ...]:
    """The plot's figures as a table: fills, then the fullest bottle for each order."""
    if answer is None:
        return ()
    lines = [course.fullest for course in answer.found.courses]
    return tuple(
        (str(n), *(line[n].words() if n < len(line) else "no more" for line in lines))
        for n in range(max(len(line) for line in lines))
    )


def _queue(node: Node, bank: BankState, assumed: Assumed) -> Queue:
    visits = node.desk.open_visits()
    with node.store.reading() as c:
        found = look.standings(c, (visit.cylinder_id for visit in visits if visit.cylinder_id))
    return queue(visits, {standing.cylinder_id: standing for standing in found}, bank, assumed)


def _fields(request: Request, bank: BankState, first: Fields) -> Fields:
    at = request.query_params

    def text(name: str, usually: str) -> str:
        return at.get(name, usually).strip()[:24]

    shown = tuple(gauge.value if (gauge := bank.gauge(bottle)) else 0.0 for bottle in bank.giving)
    return Fields(
        litre=text("litre", first.litre), start=text("start", first.start), target=text("target", first.target),
        more=text("more", first.more), gauges=tuple(text(f"bottle{n}", f"{value:.0f}") for n, value in enumerate(shown)),
        delivery=text("delivery", ""), swept=text("swept", ""), ratio=text("ratio", ""), least=text("least", ""),
    )  # fmt: skip


def _answer(node: Node, bank: BankState, fields: Fields) -> Answer | tuple[Reason, ...] | None:
    """None where there is nothing to reckon with: no bottle that anybody has read."""
    if not bank.giving:
        return None
    asked = read_fields(fields, bank, bank.unit)
    if not isinstance(asked, Question):
        return asked
    line = _queue(node, bank, asked.assumed)
    row = [one.waiting for one in line.line]
    assumed = asked.assumed
    row += [
        Waiting(f"More {n + 1}", assumed.volume_litre, assumed.start, assumed.target)
        for n in range(asked.more)
    ]
    store = with_gauges(bank.as_bank(), _changed(bank, asked.gauges))
    full = min((bottle.service for bottle in bank.giving), key=lambda one: one.pascal)
    try:
        found = what_if(
            store, row, full=in_unit(full, bank.unit), compressor=asked.compressor, booster=asked.booster
        )
    except ValueError as wrong:
        words = str(wrong)
        return (Reason("bank.what-if", f"{words[:1].upper()}{words[1:]}.", "input"),)
    count = found.best_course.full_count
    return Answer(found, line, asked.more, min(count, len(line.line)), max(0, count - len(line.line)))


def _changed(bank: BankState, gauges: tuple[Pressure | None, ...]) -> tuple[Pressure | None, ...]:
    """A figure left as the page showed it is no change: the estimate behind it has more digits."""
    shown = [bank.gauge(bottle) for bottle in bank.giving]
    return tuple(
        None if keyed and now and f"{keyed.value:.0f}" == f"{now.value:.0f}" and keyed.value == round(keyed.value) else keyed
        for keyed, now in zip(gauges, shown, strict=True)
    )  # fmt: skip
