"""What operators say of a bank: the gauge of one bottle after the other, and what the compressor put in."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import urlencode
from uuid import UUID

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from branch import banks as kept
from branch.node import Node
from branch.people import Session
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.asking import Form, Posted, Trouble, misread, uuid_or_none
from branch.web.pages.banks import bank_or_404
from branch.web.pages.render import go, render
from cylinder.facts import BankBottleRead, BankToppedUp
from cylinder.refusal import Reason, Refused
from plant.bank_decide import BankFact
from plant.bank_state import BankState, BottleState

router = APIRouter(include_in_schema=False)
LABELS = {"value": "gauge", "unit": "unit of the gauge", "celsius": "temperature", "bottles": "bottles", "oxygen_percent": "oxygen"}  # fmt: skip


@router.get("/banks/{bank_id}/read")
def ask(request: Request, bank_id: UUID, node: TheNode, session: SignedIn) -> Response:
    """One bottle, its gauge and how warm it is. The next one follows by itself."""
    bank = bank_or_404(node, bank_id)
    at = request.query_params
    kept_form = Posted((("warm", at.get("warm", "")[:8]), ("degree", at.get("degree", "")[:2])))
    return _ask(request, node, session, bank, at.get("bottle", ""), kept_form)


@router.post("/banks/{bank_id}/read")
def read(request: Request, bank_id: UUID, node: TheNode, session: SignedIn, form: Form) -> Response:
    """Record it, and go on to the bottle behind it."""
    bank = bank_or_404(node, bank_id)
    name = form.text("bottle")
    trouble = recorded(
        node, session, bank_id, form,
        lambda: BankBottleRead.model_validate({"bottle": name, "gauge": _gauge(form), "celsius": _celsius(form)}),
    )  # fmt: skip
    if trouble is not None:
        return _ask(request, node, session, bank, name, form, trouble)
    names = [bottle.name for bottle in bank.bottles if not bottle.is_withdrawn]
    follows = names[names.index(name) + 1 :] if name in names else []
    if not follows:
        return go("/banks")
    asked = {"bottle": follows[0], "warm": form.text("warm"), "degree": form.text("degree")}
    return go(f"/banks/{bank_id}/read?{urlencode(asked)}")


@router.get("/banks/{bank_id}/topped-up")
def ask_topped_up(request: Request, bank_id: UUID, node: TheNode, session: SignedIn) -> Response:
    """Which bottles were pumped up, to which gauge."""
    return _ask_topped_up(request, node, session, bank_or_404(node, bank_id), Posted())


@router.post("/banks/{bank_id}/topped-up")
def topped_up(request: Request, bank_id: UUID, node: TheNode, session: SignedIn, form: Form) -> Response:
    """Record it."""
    bank = bank_or_404(node, bank_id)
    answers = {
        "bottles": form.all("bottle"), "gauge": _gauge(form), "celsius": _celsius(form), "oxygen_percent": form.text("oxygen").replace(",", ".") or None,
    }  # fmt: skip
    trouble = recorded(node, session, bank_id, form, lambda: BankToppedUp.model_validate(answers))
    if trouble is not None:
        return _ask_topped_up(request, node, session, bank, form, trouble)
    return go("/banks")


def recorded(
    node: Node, session: Session, bank_id: UUID, form: Posted, make: Callable[[], BankFact]
) -> Trouble | None:
    """Build the fact, check and record it; or every reason why not."""
    key = uuid_or_none(form.text("key"))
    if key is None:
        return Trouble(
            (Reason("bank.key", "This form was not made by this page. Open it again.", "input"),), 422
        )
    try:
        kept.record(node, session.person.actor, bank_id, make(), key)
    except ValidationError as wrong:
        return Trouble(misread(wrong, LABELS), 422)
    except Refused as refused:
        return Trouble(refused.reasons)
    return None


def _gauge(form: Posted) -> dict[str, str]:
    return {"value": form.text("gauge").replace(",", "."), "unit": form.text("unit")}


def _celsius(form: Posted) -> str:
    """As keyed where it is no number: the reason then says so."""
    text = form.text("warm").replace(",", ".")
    if form.text("degree") != "F":
        return text
    try:
        return f"{(float(text) - 32) / 1.8:.2f}"
    except ValueError:
        return text


def _usual_degree(node: Node) -> str:
    return "F" if node.settings.unit == "psi" else "C"


def _ask(
    request: Request, node: Node, session: Session, bank: BankState, name: str, form: Posted, trouble: Trouble | None = None
) -> Response:  # fmt: skip
    """The keypad for one bottle; the first that is open where none is named."""
    open_ones = [bottle for bottle in bank.bottles if not bottle.is_withdrawn]
    bottle: BottleState | None = bank.bottle(name) or next(iter(open_ones), None)
    if bottle is None:
        raise HTTPException(404)
    return render(
        request, "bank_read.html", title=bank.name, session=session, bank=bank, bottle=bottle, kept=form, trouble=trouble,
        degree=form.text("degree") or _usual_degree(node), status=trouble.status if trouble else 200, rail=None,
        number=next((n for n, one in enumerate(open_ones, 1) if one.name == bottle.name), 0), of=len(open_ones),
    )  # fmt: skip


def _ask_topped_up(
    request: Request, node: Node, session: Session, bank: BankState, form: Posted, trouble: Trouble | None = None
) -> Response:  # fmt: skip
    return render(
        request, "bank_topped_up.html", title=bank.name, session=session, bank=bank, kept=form, trouble=trouble, rail=None,
        ticked=form.all("bottle"), degree=form.text("degree") or _usual_degree(node),
        status=trouble.status if trouble else 200, is_plain=bank.is_plain,
    )  # fmt: skip
