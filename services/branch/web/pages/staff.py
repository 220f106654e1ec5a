"""For managers: who works here with which PIN, and which tablets are the shop's."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Annotated, get_args
from uuid import UUID

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from branch.node import Node
from branch.people import DEVICE_CODE_GOOD_FOR, Person, Session, SignInRefused, actor_id_of
from branch.staff import CertificateState, Role, certificate_state, certify, let_go, take_on
from branch.store import views as look
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.asking import Form, Posted, Trouble, uuid_or_none
from branch.web.pages.render import go, render
from cylinder.facts import CertifiedWork
from cylinder.proof import covered_work
from cylinder.refusal import Reason, Refused
from eventlog.card import has_hidden_signs

router = APIRouter(include_in_schema=False)
_ROLES: tuple[Role, ...] = ("operator", "inspector", "manager")


def only_manager(session: SignedIn) -> Session:
    """The manager who asks. Raises Refused for everybody else."""
    if session.person.actor.role != "manager":
        raise Refused([Reason("staff.manager", "Only a manager may see or change this.")])
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
    until, reasons = _certificate_until(form, form.text("role"))
    name = form.text("known_as")
    if not 1 <= len(name) <= 60 or has_hidden_signs(name):
        reasons.append(
            Reason("staff.name", "Key a working name of at most 60 signs, such as R. Amat.", "input")
        )
    if role is None or key is None:
        reasons.append(Reason("staff.role", "Choose what they may do.", "input"))
    if role is None or key is None or reasons:
        return _page(request, node, session, trouble=Trouble(tuple(reasons), 422), kept=form)
    if actor_id_of(key) in {one.actor.id for one in node.people.staff()}:
        return go("/staff")
    try:
        take_on(
            node.store, node.people, known_as=name, role=role, pin=form.text("pin"), new_id=key, now=node.floor.now(),
            today=node.desk.today(), by=session.person.actor.id, certificate=form.text("certificate"), certificate_until=until,
            covers=_covers(form) if role == "inspector" else None,
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
    let_go(
        node.store, node.people, actor_id, key=_key(form), now=node.floor.now(), today=node.desk.today(),
        by=session.person.actor.id,
    )  # fmt: skip
    node.live.ring()
    node.sync.wake_push()
    return go("/staff")


@router.post("/staff/{actor_id}/certificate")
def new_certificate(request: Request, actor_id: str, node: TheNode, session: Manager, form: Form) -> Response:
    """A new certificate of an inspector: number, last day, what it is for."""
    person = next((one for one in node.people.staff() if one.actor.id == actor_id), None)
    if person is None or person.actor.role != "inspector":
        raise Refused([Reason("staff.unknown", "No inspector of that name works here.")])
    until, reasons = _certificate_until(form, "inspector")
    if until is None or reasons:
        return _page(request, node, session, trouble=Trouble(tuple(reasons), 422), renewed=(actor_id, form))
    certify(
        node.store, person.actor, person.known_as, "inspector", certificate=form.text("certificate"),
        certificate_until=until, covers=_covers(form), key=_key(form), now=node.floor.now(),
        today=node.desk.today(), by=session.person.actor.id,
    )  # fmt: skip
    node.live.ring()
    node.sync.wake_push()
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


def _certificate_until(form: Posted, role: str) -> tuple[dt.date | None, list[Reason]]:
    """An inspector has a certificate with a last day, for something; others may leave it empty. Every fault at once."""
    text, reasons, until = form.text("certificate_until"), [], None
    try:
        until = dt.date.fromisoformat(text) if text else None
    except ValueError:
        reasons.append(Reason("staff.until", f"{text[:20]} is no day. Key it as 2027-03-31.", "input"))
    if len(form.text("certificate")) > 500:
        reasons.append(Reason("staff.certificate", "The certificate number is too long.", "input"))
    if role == "inspector" and (not text or not form.has("certificate")):
        words = "An inspector needs a certificate number and its last day."
        reasons.append(Reason("staff.certificate", words, "input"))
    if role == "inspector" and not _covers(form):
        reasons.append(Reason("staff.covers", "Say what the certificate is for.", "input"))
    return until, reasons


def _covers(form: Posted) -> tuple[CertifiedWork, ...]:
    return tuple(one for one in get_args(CertifiedWork) if one in form.all("covers"))


def _key(form: Posted) -> UUID:
    """The form's own key. Raises Refused for a form without one."""
    key = uuid_or_none(form.text("key"))
    if key is None:
        raise Refused([Reason("staff.key", "Open the page again and send its form.", "input")])
    return key


@dataclass(frozen=True)
class OnStaff:
    """One of the staff as the page shows them."""

    person: Person
    state: CertificateState
    days_left: int
    covers: tuple[CertifiedWork, ...] | None


def _on_staff(node: Node) -> list[OnStaff]:
    today = node.desk.today()
    rows = []
    with node.store.reading() as cursor:
        for person in node.people.staff():
            vouching = look.credentials(cursor, person.actor.id, node.settings.node)
            covers = covered_work(vouching, person.actor.id, node.settings.node, today)
            until = person.actor.certificate_until
            rows.append(
                OnStaff(
                    person,
                    certificate_state(person.actor, today),
                    0 if until is None else (until - today).days,
                    None if covers is None else tuple(sorted(covers)),
                )
            )
    return rows


def _page(
    request: Request, node: Node, session: Session, *, code: str = "", trouble: Trouble | None = None,
    kept: Posted | None = None, renewed: tuple[str, Posted] | None = None,
) -> Response:  # fmt: skip
    """`renewed`: whose certificate was refused, and what was keyed of it."""
    return render(
        request, "staff.html", title="Staff and tablets", session=session, status=trouble.status if trouble else 200,
        staff=_on_staff(node), works=get_args(CertifiedWork), tablets=node.people.devices(), code=code,
        code_until=node.world.now() + DEVICE_CODE_GOOD_FOR, code_min=int(DEVICE_CODE_GOOD_FOR.total_seconds() // 60),
        trouble=trouble, kept=kept or Posted(), renewed=renewed,
    )  # fmt: skip
