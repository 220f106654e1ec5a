"""The program as it is run: enrolled, killed in the middle, stopped cleanly, looked at."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import stat
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from email import message_from_bytes
from pathlib import Path
from threading import Event

import httpx
import pytest
from tests.receipts.servers import CLOSE, ScriptedServer
from tests.receipts.story import AIR, Branch, HubTwin, now_utc, serving
from typer.testing import CliRunner, Result

from filltrail import processes
from receipts.__main__ import cli

pytestmark = pytest.mark.wire

PATIENCE_S = 20.0


@dataclass
class Place:
    """A folder, a hub on a port and a relay: all that the program is told."""

    folder: Path
    hub: HubTwin
    hub_url: str
    relay: ScriptedServer
    port: int

    @property
    def page(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def environment(self) -> dict[str, str]:
        return processes.plain_environment() | {
            "FILLTRAIL_DATA": str(self.folder),
            "FILLTRAIL_HUB_URL": self.hub_url,
            "FILLTRAIL_SMTP_URL": f"smtp://127.0.0.1:{self.relay.port}",
            "FILLTRAIL_PORT": str(self.port),
        }

    def enrol(self, code: str = "code-0001") -> Result:
        return self.say("enrol", "--hub", self.hub_url, "--code", code)

    def say(self, *words: str, **settings: str) -> Result:
        """A command that ends by itself, without the cost of a process."""
        names = [name for name in os.environ if name.startswith("FILLTRAIL_")]
        unset: dict[str, str | None] = dict.fromkeys(names)
        return CliRunner().invoke(cli, words, env=unset | self.environment() | settings)

    def serve(self) -> subprocess.Popen[bytes]:
        log = self.folder.parent / "log"
        return processes.spawn([sys.executable, "-m", "receipts", "serve"], log=log, env=self.environment())

    def log(self) -> str:
        return (self.folder.parent / "log").read_text()

    def state(self) -> dict[str, float]:
        lines = httpx.get(f"{self.page}/metrics", trust_env=False).text.splitlines()
        found = [line for line in lines if line.startswith("filltrail_receipts{")]
        return {line.split('"')[1]: float(line.split()[-1]) for line in found}

    def is_ready(self) -> bool:
        return processes.answers_ok(f"{self.page}/readyz")


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    hub = HubTwin(clock=now_utc)
    with serving(hub.app()) as url, ScriptedServer() as relay:
        yield Place(tmp_path / "data", hub, url, relay, processes.free_port())


@pytest.fixture
def enrolled(place: Place) -> Place:
    assert place.enrol().exit_code == 0
    return place


def eventually(is_so: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not is_so():
        assert time.monotonic() < deadline, "it did not come to pass"
        time.sleep(0.02)


def stop(program: subprocess.Popen[bytes]) -> int:
    program.send_signal(signal.SIGTERM)
    return program.wait(15)


def hand_over(place: Place) -> None:
    shop = Branch()
    place.hub.carry(*shop.visit(AIR), *shop.hand_over(AIR))


def test_enrolling_keeps_the_key_for_its_owner_alone(place: Place) -> None:
    done = place.enrol()

    assert done.stdout == "enrolled as receipts\n"
    for name in ("node.key", "enrolled.json"):
        assert stat.S_IMODE((place.folder / name).stat().st_mode) == 0o600


def test_a_code_works_once_and_a_wrong_one_says_so(place: Place) -> None:
    wrong = place.enrol("not-a-code")
    assert wrong.exit_code == 2
    assert "410" in wrong.stderr

    assert place.enrol().exit_code == 0
    again = place.enrol()
    assert again.exit_code == 2
    assert "enrolled already" in again.stderr


def test_it_does_not_serve_before_it_is_enrolled(place: Place) -> None:
    program = place.serve()

    assert program.wait(15) == 2
    assert "not enrolled" in place.log()


def test_a_hand_over_is_mailed_within_moments_of_the_bell(enrolled: Place) -> None:
    program = enrolled.serve()
    try:
        eventually(enrolled.is_ready)
        hand_over(enrolled)
        eventually(lambda: enrolled.state()["sent"] == 1)
    finally:
        ended = stop(program)

    assert ended == -signal.SIGTERM
    assert len(enrolled.relay.mails) == 1
    lines = [json.loads(line) for line in enrolled.log().splitlines()]
    assert [line["state"] for line in lines if line["event"] == "receipt"] == ["sent"]
    assert "divers.example" not in enrolled.log()
    assert "Ana" not in enrolled.log()


def test_killed_after_the_mail_was_taken_it_repeats_exactly_once(enrolled: Place) -> None:
    hand_over(enrolled)
    programs = [enrolled.serve()]
    killed = Event()

    def kill(number: int) -> None:
        # The whole mail is here and nothing was answered yet: the worst moment.
        if number == 1:
            programs[0].kill()
            programs[0].wait(10)
            killed.set()

    enrolled.relay.when_given = kill
    assert killed.wait(PATIENCE_S)
    programs.append(enrolled.serve())
    try:
        eventually(lambda: enrolled.is_ready() and enrolled.state()["sent"] == 1)
    finally:
        stop(programs[1])

    assert len(enrolled.relay.mails) == 2
    assert len({message_from_bytes(given)["Message-ID"] for given in enrolled.relay.mails}) == 1


def test_killed_at_both_attempts_it_leaves_the_receipt_to_a_person(enrolled: Place) -> None:
    hand_over(enrolled)
    for number in (1, 2):
        program = enrolled.serve()
        killed = Event()

        def kill(given: int, program: subprocess.Popen[bytes] = program, number: int = number) -> None:
            if given == number:
                program.kill()
                program.wait(10)
                killed.set()  # noqa: B023  # waited for within the turn of the loop

        enrolled.relay.when_given = kill
        assert killed.wait(PATIENCE_S)
    enrolled.relay.when_given = None
    program = enrolled.serve()
    try:
        eventually(lambda: enrolled.is_ready() and enrolled.state()["unknown"] == 1)
        shown = httpx.get(enrolled.page, trust_env=False).text
    finally:
        stop(program)

    assert len(enrolled.relay.mails) == 2
    assert "unknown" in shown
    assert "interrupted while the mail was given" in shown
    assert "divers.example" not in shown


def test_sigterm_lets_the_attempt_under_way_end(enrolled: Place) -> None:
    hand_over(enrolled)
    program = enrolled.serve()
    given = Event()

    def signal_it(_: int) -> None:
        if not given.is_set():
            program.send_signal(signal.SIGTERM)
            given.set()
            time.sleep(0.5)

    enrolled.relay.when_given = signal_it
    assert given.wait(PATIENCE_S)
    assert program.wait(15) == -signal.SIGTERM
    assert '"state": "sent"' in enrolled.log()


def test_two_workers_on_one_ledger_are_one_too_many(enrolled: Place) -> None:
    first = enrolled.serve()
    try:
        eventually(enrolled.is_ready)
        second = enrolled.serve()
        assert second.wait(15) == 2
        assert "another worker runs" in enrolled.log()
    finally:
        stop(first)


def test_it_is_not_ready_without_its_hub_and_comes_back_by_itself(enrolled: Place) -> None:
    enrolled.hub.is_up = False
    program = enrolled.serve()
    try:
        eventually(lambda: processes.answers_ok(f"{enrolled.page}/healthz"))
        answer = httpx.get(f"{enrolled.page}/readyz", trust_env=False)
        assert answer.status_code == 503
        assert answer.json()["reasons"] == ["the hub has not answered yet"]
        enrolled.hub.is_up = True
        eventually(enrolled.is_ready)
    finally:
        stop(program)


def test_a_relay_that_is_down_does_not_make_it_unready(enrolled: Place) -> None:
    enrolled.relay.answers = {"connect": CLOSE}
    hand_over(enrolled)
    program = enrolled.serve()
    try:
        eventually(lambda: enrolled.is_ready() and enrolled.state()["due"] == 1)
        assert "The mail server does not take mail." in _when_shown(enrolled)
        assert enrolled.is_ready()
    finally:
        stop(program)


def _when_shown(place: Place) -> str:
    """The page, once the relay was tried."""
    shown: list[str] = []

    def look() -> bool:
        shown.append(httpx.get(place.page, trust_env=False).text)
        return "does not take mail" in shown[-1]

    eventually(look)
    return shown[-1]


def test_a_damaged_ledger_ends_the_program_loudly(enrolled: Place) -> None:
    program = enrolled.serve()
    eventually(enrolled.is_ready)
    damage = sqlite3.connect(enrolled.folder / "receipts.sqlite3")
    damage.execute("drop table cursor")
    damage.commit()
    damage.close()
    hand_over(enrolled)

    assert program.wait(15) == 1
    assert "no such table: cursor" in enrolled.log()


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("FILLTRAIL_SMTP_URL", "mail:25", "the mail server's URL"),
        ("FILLTRAIL_FROM", "nobody", "the sender has no address"),
        ("FILLTRAIL_HUB_URL", "", "not set: FILLTRAIL_HUB_URL"),
    ],
)
def test_a_wrong_setting_is_named_at_the_start(place: Place, name: str, value: str, words: str) -> None:
    done = place.say("serve", **{name: value})

    assert done.exit_code == 2
    assert words in done.stderr
    assert isinstance(done.exception, SystemExit)


def test_a_person_settles_what_is_unknown_and_nothing_else(enrolled: Place) -> None:
    done = enrolled.say("settle", "00000000-0000-0000-0000-000000000001", "--again")

    assert done.exit_code == 2
    assert "unknown" in done.stderr
