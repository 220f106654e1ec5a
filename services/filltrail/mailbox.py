"""A mail catcher: takes every mail by SMTP, sends none on, and shows what arrived on a small page.

Owns the folder of caught mails, one file each, exactly as received. Must never deliver a mail to anybody,
nor let a mail's HTML run script or load anything from elsewhere.
"""

import asyncio
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from email import message_from_bytes, policy
from email.message import MIMEPart
from pathlib import Path

from aiosmtpd.smtp import SMTP, Envelope, Session
from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

LARGEST_MAIL_BYTES = 5 * 1024 * 1024
OUR_PAGES_MAY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; frame-src 'self'"
)
# `sandbox` without a word allows nothing: no script, no form, no link to the outside frame.
A_MAIL_MAY = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'"

_pages = Environment(
    loader=PackageLoader("filltrail", "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
)


@dataclass(frozen=True)
class Mail:
    """One caught mail, as much of it as the page shows."""

    number: int
    message_id: str
    sender: str
    to: str
    subject: str
    date: str
    text: str
    html: str
    source: str


@dataclass(frozen=True)
class Caught:
    """The folder of caught mails, numbered in the order they came."""

    folder: Path

    def keep(self, content: bytes) -> int:
        """Write one mail so that it survives a crash before it is acknowledged."""
        number = max(self.numbers(), default=0) + 1
        partial = self.folder / f"{number:06}.partial"
        with partial.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        partial.rename(self.folder / f"{number:06}.eml")
        return number

    def numbers(self) -> list[int]:
        return sorted(int(path.stem) for path in self.folder.glob("*.eml"))

    def mail(self, number: int) -> Mail | None:
        path = self.folder / f"{number:06}.eml"
        return _read(number, path.read_bytes()) if path.exists() else None

    def newest_first(self) -> list[Mail]:
        return [mail for number in reversed(self.numbers()) if (mail := self.mail(number)) is not None]


def mailbox(folder: Path, *, smtp_host: str, smtp_port: int) -> Starlette:
    """The page as an application; the SMTP side runs for as long as it does."""
    folder.mkdir(parents=True, exist_ok=True)
    caught = Caught(folder)

    @asynccontextmanager
    async def catching(_app: Starlette) -> AsyncIterator[None]:
        loop = asyncio.get_running_loop()
        server = await loop.create_server(lambda: _smtp(caught), smtp_host, smtp_port)
        async with server:
            yield

    app = Starlette(
        lifespan=catching,
        routes=[
            Route("/", _list),
            Route("/mail/{number:int}", _one),
            Route("/mail/{number:int}/html", _html),
            Route("/mail/{number:int}/source", _source),
            Route("/api/mail", _api),
            Route("/healthz", _alive),
            Route("/readyz", _alive),
            Mount("/static", StaticFiles(packages=[("filltrail", "static")])),
        ],
    )
    app.state.caught = caught
    return app


class _Catch:
    """What aiosmtpd calls; the names are its own."""

    def __init__(self, caught: Caught) -> None:
        self._caught = caught

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:
        content = envelope.content
        if not isinstance(content, bytes) or not content:
            return "554 There is nothing in this mail"
        self._caught.keep(content)
        return "250 Caught"


def _smtp(caught: Caught) -> SMTP:
    return SMTP(
        _Catch(caught),
        data_size_limit=LARGEST_MAIL_BYTES,
        ident="Filltrail mail catcher",
        hostname="localhost",
    )


def _read(number: int, content: bytes) -> Mail:
    message = message_from_bytes(content, policy=policy.default)
    text = message.get_body(("plain",))
    html = message.get_body(("html",))
    return Mail(
        number=number,
        message_id=str(message["message-id"] or ""),
        sender=str(message["from"] or ""),
        to=str(message["to"] or ""),
        subject=str(message["subject"] or "(no subject)"),
        date=str(message["date"] or ""),
        text=_content(text),
        html=_content(html),
        source=content.decode("utf-8", errors="replace"),
    )


def _content(part: MIMEPart | None) -> str:
    if part is None:
        return ""
    try:
        return str(part.get_content())
    except (LookupError, ValueError):  # an unknown character set; the raw source still shows the mail
        return ""


def _caught_of(request: Request) -> Caught:
    caught = request.app.state.caught
    assert isinstance(caught, Caught)
    return caught


def _page(name: str, **shown: object) -> HTMLResponse:
    return HTMLResponse(
        _pages.get_template(name).render(**shown), headers={"content-security-policy": OUR_PAGES_MAY}
    )


def _list(request: Request) -> Response:
    mails = _caught_of(request).newest_first()
    seen: set[str] = set()
    repeats: set[int] = set()
    for mail in reversed(mails):
        if mail.message_id and mail.message_id in seen:
            repeats.add(mail.number)
        seen.add(mail.message_id)
    return _page("mailbox_list.html", mails=mails, repeats=repeats)


def _one(request: Request) -> Response:
    mail = _wanted(request)
    return _gone() if mail is None else _page("mailbox_mail.html", mail=mail)


def _html(request: Request) -> Response:
    mail = _wanted(request)
    return (
        _gone() if mail is None else HTMLResponse(mail.html, headers={"content-security-policy": A_MAIL_MAY})
    )


def _source(request: Request) -> Response:
    mail = _wanted(request)
    return _gone() if mail is None else PlainTextResponse(mail.source)


def _api(request: Request) -> Response:
    """The same list for a program: newest first, without the bodies."""
    return JSONResponse(
        [
            {"number": mail.number, "message_id": mail.message_id, "to": mail.to, "subject": mail.subject}
            for mail in _caught_of(request).newest_first()
        ]
    )


def _alive(_request: Request) -> Response:
    return PlainTextResponse("ok\n")


def _wanted(request: Request) -> Mail | None:
    return _caught_of(request).mail(int(request.path_params["number"]))


def _gone() -> Response:
    return PlainTextResponse("There is no mail with this number.\n", status_code=404)
