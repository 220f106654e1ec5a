"""Security headers on every answer. Never buffers a body: the live board is a stream that never ends."""

from starlette.applications import Starlette
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADERS = {
    "content-security-policy": (
        "default-src 'self'; style-src 'self'; img-src 'self' data:; form-action 'self'; "
        "base-uri 'none'; object-src 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "permissions-policy": "camera=(self), geolocation=(), microphone=(), payment=(), usb=()",
    "cross-origin-opener-policy": "same-origin",
}


class Guard:
    """Pure ASGI: the header line is added as the answer starts and the body passes untouched."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                # A page about a cylinder must never come out of a cache; the shelf sets its own rule.
                headers.setdefault("cache-control", "no-store")
            await send(message)

        await self.app(scope, receive, send_guarded)


def guard(app: Starlette) -> None:
    """Put the security headers on every answer of the app."""
    app.add_middleware(Guard)
