"""Who asks: the node behind the app, and the session behind the cookies."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Request
from starlette.responses import Response

from branch.node import Node
from branch.people import Session

SESSION_COOKIE = "filltrail_session"
DEVICE_COOKIE = "filltrail_device"
DEVICE_LASTS_S = 400 * 24 * 3600


class SignInNeeded(Exception):
    """No session: pages show the sign-in, programs get 401. What was asked is not lost: `back_to` is shown after it."""

    def __init__(self, back_to: str) -> None:
        super().__init__("sign in first")
        self.back_to = back_to


def node_of(request: Request) -> Node:
    """The node that this app serves."""
    node = request.app.state.node
    assert isinstance(node, Node)
    return node


async def the_node(request: Request) -> Node:
    """The same as a dependency; async, because a look at the app needs no thread."""
    return node_of(request)


def maybe_session(request: Request) -> Session | None:
    """Who is signed in, or nobody."""
    cookies = request.cookies
    return node_of(request).people.session(cookies.get(SESSION_COOKIE), cookies.get(DEVICE_COOKIE))


def need_session(request: Request) -> Session:
    """Who is signed in. Raises SignInNeeded."""
    session = maybe_session(request)
    if session is None:
        where = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        raise SignInNeeded(where if request.method == "GET" else request.headers.get("referer", "/"))
    return session


def set_cookie(request: Request, response: Response, name: str, value: str, max_age_s: int | None) -> None:
    """A cookie that no script reads and no other site sends; Secure wherever the page came by https."""
    response.set_cookie(
        name,
        value,
        max_age=max_age_s,
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
        path="/",
    )


TheNode = Annotated[Node, Depends(the_node)]
SignedIn = Annotated[Session, Depends(need_session)]
MaybeSignedIn = Annotated[Session | None, Depends(maybe_session)]
