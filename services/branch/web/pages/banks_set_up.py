"""For managers: which bottles make up a bank, taking one out and back, and closing the bank."""

from __future__ import annotations

from uuid import UUID

from fastapi import APIRouter, Request
from starlette.responses import Response

from branch import banks as kept
from branch.node import Node
from branch.people import Session
from branch.web.gate import TheNode
from branch.web.pages.asking import Form, Posted, Trouble, uuid_or_none
from branch.web.pages.banks import bank_or_404
from branch.web.pages.banks_read import recorded
from branch.web.pages.render import go, render
from branch.web.pages.staff import Manager
from cylinder.facts import BankBottleReturned, BankBottleWithdrawn, BankClosed, BankSetUp
from cylinder.facts.banks import MOST_BOTTLES
from cylinder.refusal import Reason
from plant.bank_state import BankState

router = APIRouter(include_in_schema=False)
LEAST_ROWS = 6


@router.get("/banks/set-up")
def ask_new(request: Request, node: TheNode, session: Manager) -> Response:
    """A bank that is not there yet."""
    return _page(request, node, session, None, Posted())


@router.post("/banks/set-up")
def set_up_new(request: Request, node: TheNode, session: Manager, form: Form) -> Response:
    """Record it. The form's own key names the bank, so the same tap twice sets up one."""
    key = uuid_or_none(form.text("key"))
    trouble = recorded(node, session, key or UUID(int=0), form, lambda: _set_up(form))
    if trouble is not None or key is None:
        return _page(request, node, session, None, form, trouble)
    return go(f"/banks/{key}/read")


@router.get("/banks/{bank_id}/set-up")
def ask(request: Request, bank_id: UUID, node: TheNode, session: Manager) -> Response:
    """The bank as it was set up."""
    bank = bank_or_404(node, bank_id)
    return _page(request, node, session, bank, _as_form(bank))


@router.post("/banks/{bank_id}/set-up")
def set_up(request: Request, bank_id: UUID, node: TheNode, session: Manager, form: Form) -> Response:
    """Record it anew. What bottles hold stays with them while the gas is the same."""
    bank = bank_or_404(node, bank_id)
    trouble = recorded(node, session, bank_id, form, lambda: _set_up(form))
    return go("/banks") if trouble is None else _page(request, node, session, bank, form, trouble)


@router.post("/banks/{bank_id}/withdraw")
def withdraw(request: Request, bank_id: UUID, node: TheNode, session: Manager, form: Form) -> Response:
    """A bottle gives nothing from now on."""
    answers = {"bottle": form.text("bottle"), "why": form.text("why")}
    trouble = recorded(node, session, bank_id, form, lambda: BankBottleWithdrawn.model_validate(answers))
    return _after(request, node, session, bank_id, trouble)


@router.post("/banks/{bank_id}/take-back")
def take_back(request: Request, bank_id: UUID, node: TheNode, session: Manager, form: Form) -> Response:
    """A bottle is open again, and unread."""
    answers = {"bottle": form.text("bottle"), "finding": form.text("finding")}
    trouble = recorded(node, session, bank_id, form, lambda: BankBottleReturned.model_validate(answers))
    return _after(request, node, session, bank_id, trouble)


@router.post("/banks/{bank_id}/offer")
def offer(request: Request, bank_id: UUID, node: TheNode, session: Manager) -> Response:
    """Into the blender's list; from then on it follows the readings by itself."""
    bank = bank_or_404(node, bank_id)
    if kept.offer(node, bank_id):
        return go("/banks")
    words = "It cannot be offered to the blender: no bottle has been read, the mixture was not analysed, or the list is full."
    return _page(
        request, node, session, bank, _as_form(bank), Trouble((Reason("bank.offer", words, "input"),))
    )


@router.post("/banks/{bank_id}/close")
def close(request: Request, bank_id: UUID, node: TheNode, session: Manager, form: Form) -> Response:
    """There is no such bank any more."""
    trouble = recorded(
        node, session, bank_id, form, lambda: BankClosed.model_validate({"why": form.text("why")})
    )
    return _after(request, node, session, bank_id, trouble)


def _after(
    request: Request, node: Node, session: Session, bank_id: UUID, trouble: Trouble | None
) -> Response:
    if trouble is None:
        return go("/banks")
    bank = bank_or_404(node, bank_id)
    return _page(request, node, session, bank, _as_form(bank), trouble)


def _set_up(form: Posted) -> BankSetUp:
    """A row that is left empty is no bottle; one that is half keyed is named by its fault."""
    rows = zip(form.all("bottle_name"), form.all("bottle_litre"), form.all("bottle_service"), strict=False)
    bottles = [
        {"name": name, "volume_litre": _number(litre), "service": {"value": _number(service), "unit": form.text("unit")}}
        for name, litre, service in rows
        if name or litre or service
    ]  # fmt: skip
    return BankSetUp.model_validate(
        {
            "name": form.text("name"),
            "oxygen_percent": _number(form.text("oxygen")),
            "helium_percent": _number(form.text("helium") or "0"),
            "bottles": bottles,
            "whips": form.all("whip"),
        }
    )


def _number(text: str) -> str:
    return text.replace(",", ".")


def _as_form(bank: BankState) -> Posted:
    pairs = [
        ("name", bank.name), ("oxygen", f"{bank.meant.oxygen_fraction * 100:.6g}"),
        ("helium", f"{bank.meant.helium_fraction * 100:.6g}"), ("unit", bank.unit),
    ]  # fmt: skip
    for bottle in bank.bottles:
        pairs += [("bottle_name", bottle.name), ("bottle_litre", f"{bottle.volume_litre:g}"), ("bottle_service", f"{bottle.service.value:g}")]  # fmt: skip
    return Posted((*pairs, *(("whip", str(whip)) for whip in bank.whips)))


def _page(
    request: Request, node: Node, session: Session, bank: BankState | None, form: Posted, trouble: Trouble | None = None
) -> Response:  # fmt: skip
    names, litres, services = form.all("bottle_name"), form.all("bottle_litre"), form.all("bottle_service")
    keyed = list(zip(names, litres, services, strict=False))
    rows = [*keyed, *[("", "", "")] * max(2, LEAST_ROWS - len(keyed))][:MOST_BOTTLES]
    return render(
        request, "bank_set_up.html", title="Set up a bank" if bank is None else bank.name, session=session, bank=bank,
        kept=form, rows=rows, ticked=form.all("whip"), unit=form.text("unit") or node.settings.unit, trouble=trouble,
        status=trouble.status if trouble else 200,
    )  # fmt: skip
