"""A shop with its pages, and tablets to use them as a browser without script would."""

from __future__ import annotations

import datetime as dt
import socket
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from html.parser import HTMLParser

import httpx
import pytest
import uvicorn
from fastapi.testclient import TestClient
from tests.branch.a_shop import Shop

from branch.web.app import make_app
from branch.web.gate import DEVICE_COOKIE, SESSION_COOKIE
from cylinder.commands import Taken
from cylinder.marks import GasWanted
from eventlog.wire import DiverCard

PIN = "407118"


@dataclass
class PageForm:
    """A form as the page holds it: where it goes and what it would send."""

    action: str
    fields: list[tuple[str, str]]

    def text(self, name: str) -> str:
        return next(value for key, value in self.fields if key == name)


class _Forms(HTMLParser):
    """Forms with the values of their inputs, text areas and chosen options; buttons are left out."""

    def __init__(self) -> None:
        super().__init__()
        self.forms: list[PageForm] = []
        self._select = ""
        self._area = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        at = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.forms.append(PageForm(at.get("action", ""), []))
        if not self.forms:
            return
        fields = self.forms[-1].fields
        is_checkable = at.get("type") in ("checkbox", "radio")
        if tag == "input" and "name" in at and (not is_checkable or "checked" in at):
            fields.append((at["name"], at.get("value", "")))
        if tag == "select":
            self._select = at["name"]
        if tag == "option" and "selected" in at:
            fields.append((self._select, at["value"]))
        if tag == "textarea":
            self._area = at["name"]

    def handle_data(self, data: str) -> None:
        if self._area and self.forms:
            self.forms[-1].fields.append((self._area, data))

    def handle_endtag(self, tag: str) -> None:
        if tag == "textarea":
            self._area = ""


def forms(page: httpx.Response) -> list[PageForm]:
    """Every form on a page."""
    found = _Forms()
    found.feed(page.text)
    return found.forms


def form(page: httpx.Response, action: str) -> PageForm:
    """The form that goes to `action`."""
    return next(one for one in forms(page) if one.action == action)


@dataclass
class Tablet:
    """One tablet of the shop and the browser on it."""

    client: TestClient
    shop: Shop

    def enrol(self, name: str = "Counter") -> Tablet:
        """Make it one of the shop's, through the form."""
        code = self.shop.node.people.device_code()
        answer = self.client.post("/sign-in/tablet", data={"code": code, "name": name})
        assert answer.headers["location"] == "/sign-in"
        return self

    def sign_in(self, role: str = "operator", *, pin: str = PIN) -> httpx.Response:
        """Key a PIN, through the form."""
        return self.post("/sign-in", {"who": self.shop.actors[role].id, "pin": pin})

    def get(self, url: str) -> httpx.Response:
        """Open a page."""
        answer = self.client.get(url)
        assert isinstance(answer, httpx.Response)
        return answer

    def post(self, url: str, data: Mapping[str, str | list[str]]) -> httpx.Response:
        """Send fields without a page."""
        answer = self.client.post(url, data=data)
        assert isinstance(answer, httpx.Response)
        return answer

    def send(self, page: httpx.Response, action: str, **values: str | list[str]) -> httpx.Response:
        """Fill in the form of a page and send it, with what it held already."""
        kept = [(name, value) for name, value in form(page, action).fields if name not in values]
        data: dict[str, list[str]] = {}
        for name, value in kept:
            data.setdefault(name, []).append(value)
        for name, given in values.items():
            data[name] = given if isinstance(given, list) else [given]
        return self.post(action, data)

    def facts(self) -> int:
        """How many facts the shop holds."""
        with self.shop.node.store.reading() as cursor:
            cursor.execute("select count(*) from fact")
            row = cursor.fetchone()
        assert row is not None
        count = row[0]
        assert isinstance(count, int)
        return count


def a_tablet(shop: Shop, *, role: str | None = "operator") -> Tablet:
    """Another tablet at the same node; signed in unless `role` is None."""
    client = TestClient(make_app(shop.node), base_url="http://pier.test", follow_redirects=False)
    tablet = Tablet(client, shop)
    if role is not None:
        tablet.enrol()
        assert tablet.sign_in(role).status_code == 303
    return tablet


@pytest.fixture
def tablet(shop: Shop) -> Tablet:
    """A tablet with the fill operator signed in, and the diver's card at the shop."""
    shop.node.divers.keep(
        DiverCard(diver_ref="diver-0001", name="Ana Duarte", email="ana@example.org", phone="555 0100")
    )
    return a_tablet(shop)


def air(tag: int) -> Taken:
    """A cylinder that wants air."""
    return Taken(tag=tag, gas=GasWanted())


@dataclass(frozen=True)
class Served:
    """The shop's pages on a real port, and the cookies of a tablet with somebody signed in."""

    url: str
    cookies: dict[str, str]
    server: uvicorn.Server


@pytest.fixture
def served(shop: Shop) -> Iterator[Served]:
    """A real server, whose sync loop finds no hub."""
    people = shop.node.people
    device = people.enrol_device(people.device_code(), name="Bay")
    session = people.sign_in(device_token=device, actor_id=shop.actors["operator"].id, pin=PIN)
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    server = uvicorn.Server(
        uvicorn.Config(make_app(shop.node), log_level="error", timeout_graceful_shutdown=1)
    )
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    url = f"http://127.0.0.1:{listening.getsockname()[1]}"
    yield Served(url, {DEVICE_COOKIE: device, SESSION_COOKIE: session}, server)
    shop.node.live.close()
    server.should_exit = True
    thread.join(timeout=10)
    listening.close()
    assert not thread.is_alive()


A_WHILE = dt.timedelta(minutes=6)
"""Longer than a tablet may lie idle."""
