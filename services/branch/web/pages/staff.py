"""For managers: who works here with which PIN, and which tablets are the shop's."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from branch.node import Node
from branch.people import DEVICE_CODE_GOOD_FOR, Session, SignInRefused, actor_id_of
from branch.staff import Role, take_on
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.asking import Form, Posted, Trouble, uuid_or_none
from branch.web.pages.render import go, render
from cylinder.refusal import Reason, Refused
from eventlog.card import has_hidden_signs

router = APIRouter(include_in_schema=False)
_ROLES: tuple[Role, ...] = ("operator", "inspector", "manager")


def only_manager(session: SignedIn) -> Session:
    """The manager who asks. Raises Refused for everybody else."""
    if session.person.actor.role != "manager":
        raise Refused([Reason("staff.manager", "Only a manager may see or change staff and tablets.")])
    return session


Manager = Annotated[Session, Depends(only_manager)]


@router.get("/staff")
def show(request: Request, node: TheNode, session: Manager) -> Response:
    """Everybody here, and every tablet."""
    return _page(request, node, session)


@router.post("/staff/take-on")
def hire(request: Request, node: TheNode, session: Manager, form: Form) -> Response:
    """Take somebody on: working name, role, certificate, PIN. The same tap twice takes them on once."""
    key = uuid_or_none(form.text("key"))
    role = next((one for one in _ROLES if one == form.text("role")), None)
    until, reasons = _certificate_until(form)
    name = form.text("known_as")
    if not 1 <= len(name) <= 60 or has_hidden_signs(name):
        reasons.append(
            Reason("staff.name", "Key a working name of at most 60 signs, such as R. Amat.", "input")
        )
    if role is None or key is None:
        reasons.append(Reason("staff.role", "Choose what they may do.", "input"))
    if len(form.text("certificate")) > 500:
        reasons.append(Reason("staff.certificate", "The certificate number is too long.", "input"))
    if role is None or key is None or reasons:
        return _page(request, node, session, trouble=Trouble(tuple(reasons), 422), kept=form)
    if actor_id_of(key) in {one.actor.id for one in node.people.staff()}:
        return go("/staff")
    try:
        take_on(
            node.store, node.people, known_as=name, role=role, pin=form.text("pin"), new_id=key, now=node.floor.now(),
            today=node.desk.today(), by=session.person.actor.id, certificate=form.text("certificate"), certificate_until=until,
        )  # fmt: skip
    except SignInRefused as refused:
        trouble = Trouble((Reason("staff.pin", str(refused), "input"),), 422)
        return _page(request, node, session, trouble=trouble, kept=form)
    node.live.ring()
    node.sync.wake_push()
    return go("/staff")


@router.post("/staff/{actor_id}/pin")
def new_pin(request: Request, actor_id: str, node: TheNode, session: Manager, form: Form) -> Response:
    """A new PIN; the wait after wrong ones ends."""
    _somebody_here(node, actor_id)
    try:
        node.people.set_pin(actor_id, form.text("pin"))
    except SignInRefused as refused:
        return _page(
            request, node, session, trouble=Trouble((Reason("staff.pin", str(refused), "input"),), 422)
        )
    return go("/staff")


@router.post("/staff/{actor_id}/dismiss")
def dismiss(actor_id: str, node: TheNode, session: Manager, form: Form) -> Response:
    """No sign-in any more, at once. What they recorded stays in their name."""
    _somebody_here(node, actor_id)
    if actor_id == session.person.actor.id:
        raise Refused([Reason("staff.yourself", "You cannot dismiss yourself: ask another manager.")])
    node.people.dismiss(actor_id)
    return go("/staff")


@router.post("/staff/code")
def device_code(request: Request, node: TheNode, session: Manager, form: Form) -> Response:
    """A one-time code for one more tablet. It is shown once, here."""
    code = node.people.device_code()
    return _page(request, node, session, code=code)


@router.post("/staff/tablets/{device_id}/revoke")
def revoke(device_id: str, node: TheNode, session: Manager, form: Form) -> Response:
    """A lost tablet: nobody signs in on it again."""
    if device_id == session.device_id:
        raise Refused([Reason("staff.this-tablet", "That is this very tablet: revoke it from another one.")])
    node.people.revoke_device(device_id)
    return go("/staff")


def _somebody_here(node: Node, actor_id: str) -> None:
    if actor_id not in {one.actor.id for one in node.people.staff()}:
        raise Refused([Reason("staff.unknown", "Nobody of that name works here.")])


def _certificate_until(form: Posted) -> tuple[dt.date | None, list[Reason]]:
    """An inspector has a certificate with a last day; others may leave it empty."""
    text = form.text("certificate_until")
    try:
        until = dt.date.fromisoformat(text) if text else None
    except ValueError:
        return None, [Reason("staff.until", f"{text[:20]} is no day. Key it as 2027-03-31.", "input")]
    if form.text("role") == "inspector" and (until is None or not form.has("certificate")):
        return until, [
            Reason("staff.certificate", "An inspector needs a certificate number and its last day.", "input")
        ]
    return until, []


def _page(
    request: Request, node: Node, session: Session, *, code: str = "", trouble: Trouble | None = None,
    kept: Posted | None = None,
) -> Response:  # fmt: skip
    return render(
        request, "staff.html", title="Staff and tablets", session=session, status=trouble.status if trouble else 200,
        staff=node.people.staff(), tablets=node.people.devices(), code=code,
        code_until=node.world.now() + DEVICE_CODE_GOOD_FOR, code_min=int(DEVICE_CODE_GOOD_FOR.total_seconds() // 60),
        trouble=trouble, kept=kept or Posted(), today=node.desk.today(),
    )  # fmt: skip
