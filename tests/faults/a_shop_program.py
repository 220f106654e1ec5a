"""A shop's folder made in this process, and its program run on it: one process, where enrolling by commands takes five."""

from __future__ import annotations

import datetime as dt
import sqlite3
import sys
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from hashlib import sha256
from itertools import count
from pathlib import Path

import httpx
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.branch.a_shop import Clock, make_shop, open_shop
from tests.journeys.a_network import ShopProgram, Tablet
from tests.journeys.visits import Cylinder, Taken

from filltrail.processes import Running, free_port, plain_environment, spawn

PIN = "407118"
_numbers = count(1)


@dataclass
class Counter:
    """A shop's program with a tablet at its counter, where an operator has signed in."""

    program: ShopProgram
    actor: str

    @property
    def database(self) -> Path:
        return Path(self.program.env["FILLTRAIL_DATA"]) / "branch.sqlite"

    @property
    def pid(self) -> int:
        assert self.program.running is not None
        return self.program.running.process.pid

    def tablet(self) -> Tablet:
        """Signed in; again whenever the session has ended."""
        for tablet in self.program.tablets:
            if tablet.http.get("/api/floor").status_code != 401:
                return tablet
        # No connection twice: after a 500 the server hangs up, maybe while the next request is on its way.
        limits = httpx.Limits(max_keepalive_connections=0)
        http = httpx.Client(base_url=self.program.url, timeout=30, cookies=self.program.device, limits=limits)
        answer = http.post("/api/session", json={"actor": self.actor, "pin": PIN})
        assert answer.status_code == 200, answer.text
        self.program.tablets.append(Tablet(self.program, http, "operator"))
        return self.program.tablets[-1]

    def take(self) -> Taken:
        """Somebody comes with a cylinder that nobody has seen."""
        return unseen(self.tablet())

    def fill(self) -> list[str]:
        """A cylinder from the greeting to the hand-over; gives the ids of what was recorded."""
        return self.take().go_through().acknowledged

    def news(self) -> dict[str, object]:
        """How the shop stands to the network."""
        found = self.tablet().http.get("/api/news").json()
        assert isinstance(found, dict)
        return found

    def heard_at(self) -> dt.datetime:
        return dt.datetime.fromisoformat(str(self.news()["heard_at"]))

    def is_blocked(self, cylinder_id: object) -> bool:
        answer = self.tablet().http.get(f"/api/cylinders/{cylinder_id}/standing")
        return answer.status_code == 200 and bool(answer.json()["blocks"])

    def rows(self, sql: str) -> list[tuple[object, ...]]:
        """What lies in the database, read beside the program."""
        with closing(sqlite3.connect(f"file:{self.database}?mode=ro", uri=True)) as database:
            return [tuple(row) for row in database.execute(sql)]

    def ids(self) -> list[str]:
        """Every fact that this shop holds."""
        return [str(row[0]) for row in self.rows("select event_id from fact")]

    def begin(self) -> None:
        """Start the program and do not wait until it answers."""
        program = self.program
        log = program.logs / f"{program.name}.log"
        process = spawn([sys.executable, "-m", program.service, *program.words], log=log, env=program.env)
        program.running = Running(program.name, program.url, log, process)

    def stop(self) -> None:
        for tablet in self.program.tablets:
            tablet.http.close()
        if self.program.running is not None:
            self.program.running.stop()


def unseen(tablet: Tablet) -> Taken:
    """The visit of a cylinder that nobody has seen, with a tag that hangs on no other."""
    number = next(_numbers)
    # Near no other serial: nothing is to be read twice.
    serial = sha256(str(number).encode()).hexdigest()[:8].upper()
    return Taken(tablet, Cylinder(serial), tag=1 + number % 90)


def make_counter(
    folder: Path,
    hub_key: Ed25519PrivateKey,
    hub_url: str,
    *,
    slug: str = "lantern",
    heard: bool = False,
    env: Mapping[str, str] | None = None,
) -> Counter:
    """A shop with staff and one tablet, not yet started. `heard`: it has heard its hub a moment ago."""
    made = make_shop(folder, slug=slug, hub=hub_key)
    made.node.store.close()
    clock = Clock(at=dt.datetime.now(dt.UTC))
    shop = open_shop(folder / slug, clock)
    token = shop.node.people.enrol_device(shop.node.people.device_code(), name="Counter")
    shop.node.store.close()
    if heard:
        _has_heard(folder / slug / "branch.sqlite", clock.now())
    port = free_port()
    program = ShopProgram("branch", slug, port, {}, folder / "logs")
    program.env = {
        **plain_environment(),
        "FILLTRAIL_DATA": str(folder / slug),
        "FILLTRAIL_PORT": str(port),
        "FILLTRAIL_HUB_URL": hub_url,
        **(env or {}),
    }
    program.device = httpx.Cookies({"filltrail_device": token})
    return Counter(program, shop.actors["operator"].id)


def _has_heard(path: Path, at: dt.datetime) -> None:
    """As after a page of the feed with nothing in it."""
    with closing(sqlite3.connect(path)) as database, database:
        database.execute(
            "update node set heard_at = ?, hub_time = ?, epoch = 'e1'", (at.isoformat(), at.isoformat())
        )
