"""A whole network of real processes on loopback: hub, shops, mail worker, mail catcher; each can be killed and started again."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from filltrail.layout import attempt, last_line, run
from filltrail.processes import (
    LOOPBACK,
    Running,
    answers_ok,
    free_port,
    plain_environment,
    spawn,
    stop_together,
    wait_until_ready,
)

PINS = {"operator": "471926", "inspector": "830517", "manager": "265098"}
WAIT_S = 20.0


def wait_until(is_so: Callable[[], bool], what: str, *, within_s: float = WAIT_S) -> None:
    """Look again and again, up to a bound; AssertionError with `what` after it."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if is_so():
            return
        time.sleep(0.02)
    raise AssertionError(f"not within {within_s:.0f} s: {what}")


@dataclass
class Program:
    """One service that can be killed and started again on the same data and port."""

    service: str
    name: str
    port: int
    env: Mapping[str, str]
    logs: Path
    words: tuple[str, ...] = ("serve",)
    running: Running | None = None

    @property
    def url(self) -> str:
        return f"http://{LOOPBACK}:{self.port}"

    def start(self) -> None:
        log = self.logs / f"{self.name}.log"
        process = spawn([sys.executable, "-m", self.service, *self.words], log=log, env=self.env)
        self.running = Running(self.name, self.url, log, process)
        wait_until_ready(self.running, lambda: answers_ok(f"{self.url}/healthz"))

    def kill(self) -> None:
        """SIGKILL: nothing gets a chance to tidy up."""
        assert self.running is not None
        self.running.process.send_signal(signal.SIGKILL)
        self.running.process.wait(10)

    def restart(self) -> None:
        self.kill()
        self.start()

    def ask(self, *words: str, **env: str) -> str:
        """Run a command of the service on its data, and give its last line."""
        return last_line(run(self.service, *words, env={**self.env, **env}))

    def report(self) -> dict[str, object]:
        """What `verify --json` says, found faults included."""
        answer = attempt(self.service, "verify", "--json", env=self.env)
        found = json.loads(answer.stdout.strip().splitlines()[-1])
        assert isinstance(found, dict)
        return found


@dataclass
class Tablet:
    """A device at a shop's counter with somebody signed in."""

    shop: ShopProgram
    http: httpx.Client
    role: str

    def send(self, command: str, **fields: object) -> httpx.Response:
        """One command, once. `key` among the fields makes a tap sent again; without it, it is a new one."""
        body = {"command": command, **fields, "key": str(fields.get("key") or uuid.uuid4())}
        return self.http.post("/api/commands", json=body)

    def do(self, command: str, **fields: object) -> dict[str, object]:
        """One command that must be accepted."""
        answer = self.send(command, **fields)
        assert answer.status_code == 200, (command, answer.status_code, answer.text[:800])
        found = answer.json()
        assert isinstance(found, dict)
        return found


@dataclass
class ShopProgram(Program):
    """A shop's node and its people."""

    actors: dict[str, str] = field(default_factory=dict)
    device: httpx.Cookies | None = None
    tablets: list[Tablet] = field(default_factory=list)

    def tablet(self, role: str = "operator") -> Tablet:
        """Somebody signed in on the shop's tablet; the tablet is enrolled at its first use."""
        for tablet in self.tablets:
            if tablet.role == role and tablet.http.get("/api/floor").status_code == 200:
                return tablet
        http = httpx.Client(base_url=self.url, timeout=30)
        if self.device is None:
            answer = http.post("/api/device", json={"code": self.ask("device"), "name": "Counter"})
            assert answer.status_code == 200, answer.text
            self.device = httpx.Cookies(http.cookies)
        http.cookies = httpx.Cookies(self.device)
        answer = http.post("/api/session", json={"actor": self.actors[role], "pin": PINS[role]})
        assert answer.status_code == 200, answer.text
        self.tablets.append(Tablet(self, http, role))
        return self.tablets[-1]


@dataclass
class Network:
    """All of it."""

    folder: Path
    hub: Program
    shops: dict[str, ShopProgram]
    receipts: Program | None = None
    mailbox: Program | None = None
    also: Mapping[str, str] = field(default_factory=dict)
    """Variables that every program gets besides the usual ones."""

    @property
    def programs(self) -> list[Program]:
        return [p for p in (self.hub, *self.shops.values(), self.receipts, self.mailbox) if p is not None]

    def stop(self) -> None:
        for shop in self.shops.values():
            for tablet in shop.tablets:
                tablet.http.close()
        stop_together([p.running for p in self.programs if p.running is not None], 10)

    def is_in_step(self) -> bool:
        """Whether the shops say that they stand at one position with one digest, with nothing left to send."""
        news = [shop.tablet().http.get("/api/news").json() for shop in self.shops.values()]
        seen = {(one["epoch"], one["position"], one["feed_hash"], one["standing_digest"]) for one in news}
        return len(seen) == 1 and not any(one["unsent"] for one in news)

    def wait_until_equal(self, *, within_s: float = WAIT_S) -> None:
        """In step within the time, and then everything checked from the bottom at hub and shops: no fault, one digest."""
        deadline = time.monotonic() + within_s
        programs: list[Program] = [self.hub, *self.shops.values()]
        while True:
            left_s = max(1.0, deadline - time.monotonic())
            wait_until(self.is_in_step, "all shops in step", within_s=left_s)
            with ThreadPoolExecutor() as pool:
                reports = list(pool.map(lambda program: program.report(), programs))
            assert all(not report["problems"] for report in reports), reports
            # A fact may have come while they were being read; at one position there is one answer.
            if len({(r["epoch"], r["position"]) for r in reports}) == 1 or time.monotonic() > deadline:
                break
        seen = {(r["epoch"], r["position"], r["feed_hash"], r["standing_digest"]) for r in reports}
        assert len(seen) == 1, reports


def start_network(
    folder: Path,
    database_url: str,
    redis_url: str | None,
    *,
    shops: tuple[str, ...] = ("lantern", "gannet"),
    mail: bool = False,
    also: Mapping[str, str] | None = None,
) -> Network:
    """Start the hub and the shops, enrolled and staffed; with `mail`, the worker and a catcher too."""
    also = also or {}
    hub = Program("network", "hub", free_port(), {}, folder / "logs")
    redis = {"FILLTRAIL_REDIS_URL": redis_url} if redis_url else {}
    hub.env = {**_env(folder / "hub", hub.port), "FILLTRAIL_DATABASE_URL": database_url, **redis, **also}
    hub.start()
    network = Network(folder, hub, {}, also=also)
    try:
        for slug in shops:
            network.shops[slug] = _open_shop(folder, hub, slug, also)
        if mail:
            _start_mail(network)
    except BaseException:
        network.stop()
        raise
    return network


def _open_shop(folder: Path, hub: Program, slug: str, also: Mapping[str, str] | None = None) -> ShopProgram:
    shop = ShopProgram("branch", slug, free_port(), {}, folder / "logs")
    shop.env = {**_env(folder / slug, shop.port), "FILLTRAIL_HUB_URL": hub.url, **(also or {})}
    code = hub.ask("invite", "--name", slug.title(), "--slug", slug)
    run(
        "branch",
        "enrol",
        "--hub",
        hub.url,
        "--code",
        code,
        "--slug",
        slug,
        "--name",
        slug.title(),
        env=shop.env,
    )
    crew = [
        {"name": f"{role[0].upper()}. {slug.title()}", "role": role, "pin": pin}
        | ({"certificate": "C-77", "certificate_until": "2099-12-31"} if role == "inspector" else {})
        for role, pin in PINS.items()
    ]
    taken_on = subprocess.run(
        [sys.executable, "-m", "branch", "crew"],
        input=json.dumps(crew), env=shop.env, capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    shop.actors = dict(zip(PINS, json.loads(taken_on.stdout).values(), strict=True))
    shop.start()
    return shop


def _start_mail(network: Network) -> None:
    folder, hub = network.folder, network.hub
    smtp = free_port()
    mailbox = Program("filltrail", "mailbox", free_port(), {}, folder / "logs", words=("mailbox",))
    mailbox.env = {**_env(folder / "mail", mailbox.port), "FILLTRAIL_SMTP_PORT": str(smtp)}
    mailbox.start()
    network.mailbox = mailbox
    receipts = Program("receipts", "receipts", free_port(), {}, folder / "logs")
    receipts.env = {
        **_env(folder / "receipts", receipts.port),
        "FILLTRAIL_HUB_URL": hub.url,
        "FILLTRAIL_SMTP_URL": f"smtp://{LOOPBACK}:{smtp}",
        **network.also,
    }
    code = hub.ask("invite", "--name", "receipts", "--slug", "receipts", "--reader")
    run("receipts", "enrol", "--hub", hub.url, "--code", code, env=receipts.env)
    receipts.start()
    network.receipts = receipts


def _env(data: Path, port: int) -> dict[str, str]:
    return {
        **plain_environment(),
        "FILLTRAIL_DATA": str(data),
        "FILLTRAIL_HOST": LOOPBACK,
        "FILLTRAIL_PORT": str(port),
        "PYTHONUNBUFFERED": "1",
    }
