"""Before any handler: a body that is too large, and a request that another site started."""

from __future__ import annotations

from starlette.responses import HTMLResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from branch.photos import LARGEST_BYTES
from branch.web.problems import problem

LARGEST_BODY_BYTES = 256 * 1024
_WITH_A_PHOTO = "/unread"
"""The one form that carries a photograph."""
_WITH_A_PHOTO_BYTES = LARGEST_BYTES + LARGEST_BODY_BYTES
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{title}</title>
<meta name="viewport" content="width=device-width, initial-scale=1"></head>
<body><main><h1>{title}</h1><p>{words}</p><p>Go back in the browser: what you keyed is still there.</p></main></body></html>"""


class BodyLimit:
    """Refuse a body over the limit, by its announced length or as soon as that much has arrived."""

    def __init__(self, app: ASGIApp, limit: int = LARGEST_BODY_BYTES) -> None:
        self._app = app
        self._limit = limit

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] in _SAFE:
            await self._app(scope, receive, send)
            return
        body = bytearray()
        announced = dict(scope["headers"]).get(b"content-length", b"0")
        limit = _WITH_A_PHOTO_BYTES if scope["path"].endswith(_WITH_A_PHOTO) else self._limit
        too_large = not announced.isdigit() or int(announced) > limit
        while not too_large:
            message = await receive()
            if message["type"] == "http.disconnect":
                return
            body += message.get("body", b"")
            too_large = len(body) > limit
            if not message.get("more_body", False):
                break
        if too_large:
            words = f"This is larger than {limit // 1024} KiB. Nothing was saved."
            await _refuse(scope, 413, "Too large", words)(scope, receive, send)
            return
        sent = False

        async def whole() -> Message:
            nonlocal sent
            if sent:
                return await receive()
            sent = True
            return {"type": "http.request", "body": bytes(body), "more_body": False}

        await self._app(scope, whole, send)


class SameSite:
    """Refuse a change that a page of another site asks for (Sec-Fetch-Site, and Origin where that is missing)."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["method"] not in _SAFE and not self._is_ours(scope):
            words = "This request was started by a page of another site. Nothing was saved."
            await _refuse(scope, 403, "From another site", words)(scope, receive, send)
            return
        await self._app(scope, receive, send)

    @staticmethod
    def _is_ours(scope: Scope) -> bool:
        headers = dict(scope["headers"])
        site = headers.get(b"sec-fetch-site")
        if site is not None:
            return bool(site in (b"same-origin", b"none"))
        origin = headers.get(b"origin")
        return origin is None or bool(origin.split(b"://", 1)[-1] == headers.get(b"host", b""))


def _refuse(scope: Scope, status: int, title: str, words: str) -> Response:
    """Words on a page for a person whose browser would otherwise show them a document; a problem for programs and the script."""
    headers = dict(scope["headers"])
    is_browsing = headers.get(b"sec-fetch-dest", b"document") == b"document" and b"text/html" in headers.get(
        b"accept", b""
    )
    if is_browsing and not scope["path"].startswith("/api/"):
        return HTMLResponse(_PAGE.format(title=title, words=words), status)
    return problem(status, title, words)
