"""Signing in: this tablet becomes one of the shop's, a person picks their name and keys a PIN, and goes on where they were.

What was keyed when a session had locked is carried through the sign-in and sent again by a tap; a PIN never is.
"""

from __future__ import annotations

import json
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from branch.node import Node
from branch.people import SignInRefused
from branch.web.gate import (
    DEVICE_COOKIE,
    DEVICE_LASTS_S,
    SESSION_COOKIE,
    MaybeSignedIn,
    SignedIn,
    TheNode,
    node_of,
    set_cookie,
)
from branch.web.pages.asking import Form, Posted, posted
from branch.web.pages.render import go, render

router = APIRouter(include_in_schema=False)
_NEVER_CARRIED = frozenset({"pin", "code"})


@router.get("/sign-in")
def show(
    request: Request,
    node: TheNode,
    back: str = "/",
    who: str = "",
    code: Annotated[str, Query(max_length=32)] = "",
) -> Response:
    """Pick a name; or, on a tablet that is not the shop's yet, key its code."""
    return _page(request, node, Posted((("back", back), ("who", who), ("code", code))))


@router.post("/sign-in")
def sign_in(request: Request, node: TheNode, form: Form) -> Response:
    """A name leads to the PIN, the right PIN to where one was."""
    if not form.has("pin"):
        return _page(request, node, form)
    cookies = request.cookies
    try:
        token = node.people.sign_in(
            device_token=cookies.get(DEVICE_COOKIE), actor_id=form.text("who")[:64], pin=form.text("pin")[:8]
        )
    except SignInRefused as refused:
        return _page(request, node, form, wrong=str(refused), status=403)
    node.people.sign_out(cookies.get(SESSION_COOKIE))
    if form.has("carried"):
        session = node.people.session(token, cookies.get(DEVICE_COOKIE))
        response: Response = render(
            request, "go_on.html", stream="", back=None, session=session,
            to=local(form.text("to")), carried=_unpacked(form.text("carried")),
        )  # fmt: skip
    else:
        response = go(local(form.text("back")))
    set_cookie(request, response, SESSION_COOKIE, token, None)
    return response


@router.post("/sign-in/tablet")
def enrol_tablet(request: Request, node: TheNode, form: Form) -> Response:
    """Turn a one-time code into this tablet's own token."""
    try:
        token = node.people.enrol_device(form.text("code")[:32], name=form.text("name")[:40] or "Tablet")
    except SignInRefused as refused:
        return _page(request, node, form, wrong=str(refused), status=403)
    response = go("/sign-in")
    set_cookie(request, response, DEVICE_COOKIE, token, DEVICE_LASTS_S)
    return response


@router.post("/sign-out")
def sign_out(request: Request, node: TheNode, form: Form, session: MaybeSignedIn) -> Response:
    """End the session on this tablet; another person may take it and go on at `back`."""
    node.people.sign_out(request.cookies.get(SESSION_COOKIE))
    back = local(form.text("back"))
    response = go("/sign-in" if back == "/" else f"/sign-in?back={_quoted(back)}")
    response.delete_cookie(SESSION_COOKIE, path="/")
    return response


@router.get("/more")
def more(request: Request, session: SignedIn) -> Response:
    """Who is signed in, and the pages that are not asked for every day."""
    return render(request, "more.html", session=session)


async def sign_in_needed(request: Request, back_to: str) -> Response:
    """The session has locked. A page that was asked for comes after the sign-in; a form that was posted is carried through it."""
    if request.method == "GET":
        return go("/sign-in" if back_to == "/" else f"/sign-in?back={_quoted(back_to)}")
    form = await posted(request)
    kept = [[name, value] for name, value in form.pairs if name not in _NEVER_CARRIED]
    where = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    carried = Posted((("to", where), ("carried", json.dumps(kept))) if kept else ())
    return _page(request, node_of(request), carried, status=401, is_locked=True)


def local(address: str) -> str:
    """An address of this very site, or the board: nobody is sent elsewhere after signing in."""
    is_ours = address.startswith("/") and not address.startswith(("//", "/\\")) and address.isprintable()
    return address if is_ours else "/"


def _page(
    request: Request, node: Node, form: Posted, *, wrong: str = "", status: int = 200, is_locked: bool = False
) -> Response:
    if node.people.device(request.cookies.get(DEVICE_COOKIE)) is None:
        return render(
            request, "enrol.html", stream="", back=None, status=status if wrong else 401 if is_locked else status,
            wrong=wrong, code=form.text("code"), name=form.text("name"),
        )  # fmt: skip
    staff = node.people.staff()
    person = next((one for one in staff if one.actor.id == form.text("who")), None)
    return render(
        request, "pin.html" if person else "sign_in.html", stream="", back=None, status=status,
        staff=staff, person=person, wrong=wrong, is_locked=is_locked, back_to=local(form.text("back")),
        carried=form.text("carried"), to=form.text("to"),
    )  # fmt: skip


def _unpacked(carried: str) -> tuple[tuple[str, str], ...]:
    """The fields that were carried; anything else than a list of pairs is nothing."""
    try:
        pairs: object = json.loads(carried)
    except ValueError:
        return ()
    if not isinstance(pairs, list):
        return ()
    return tuple((str(pair[0]), str(pair[1])) for pair in pairs if isinstance(pair, list) and len(pair) == 2)


def _quoted(address: str) -> str:
    return (
        address.replace("%", "%25")
        .replace("&", "%26")
        .replace("#", "%23")
        .replace("+", "%2B")
        .replace(" ", "%20")
    )
