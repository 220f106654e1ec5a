"""The demo's own story, told whole to real services: every node ends equal, and the network holds what it says."""

import datetime
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from email import message_from_bytes, policy
from email.message import EmailMessage
from email.utils import parseaddr
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest
from tests.filltrail.free_ports import free_base_port

from filltrail.cast import read_cast
from filltrail.enrolment import device_code, read_enrolled
from filltrail.layout import Layout, Ports
from filltrail.news import News
from filltrail.processes import plain_environment
from filltrail.replay import Counter, FillIn, Passing, tell
from filltrail.short_forms import read_story
from filltrail.story import StoryCylinder

ROOT = Path(__file__).resolve().parents[2]
STARTS_WITHIN_S = 240
STOPS_WITHIN_S = 60

pytestmark = [pytest.mark.wire, pytest.mark.slow, pytest.mark.timeout(STARTS_WITHIN_S + 2 * STOPS_WITHIN_S)]


@dataclass(frozen=True)
class Told:
    """A demo that is up with its story told."""

    folder: Path
    port: int
    environment: dict[str, str]

    def filltrail(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "filltrail", *words],
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=STOPS_WITHIN_S,
            check=False,
        )


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Told]:
    folder, port = tmp_path_factory.mktemp("demo") / "data", free_base_port()
    environment = {
        **plain_environment(),
        "FILLTRAIL_DEMO_DIR": str(folder),
        "FILLTRAIL_DEMO_PORT": str(port),
        "COLUMNS": "120",
    }
    log = folder.with_name("demo.log")
    with (
        log.open("wb") as said,
        subprocess.Popen(
            [sys.executable, "-m", "filltrail", "demo"],
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=subprocess.STDOUT,
        ) as demo,
    ):
        try:
            _wait_for(log, "Everything is up", demo)
            yield Told(folder, port, environment)
        finally:
            demo.send_signal(signal.SIGINT)
            demo.wait(STOPS_WITHIN_S)
    subprocess.run(
        [sys.executable, "-m", "filltrail", "demo-reset"], env=environment, timeout=STOPS_WITHIN_S, check=True
    )


@pytest.fixture(scope="module")
def office(told: Told) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=f"http://127.0.0.1:{told.port}", timeout=15) as client:
        form = {"login": "strand", "password": "ossel-coast-demo"}
        signed_in = client.post("/office/sign-in", data=form, headers={"sec-fetch-site": "same-origin"})
        assert signed_in.status_code == 303
        yield client


def test_every_node_ends_equal_and_the_clock_shows_now(told: Told) -> None:
    answer = told.filltrail("verify", "--wait", "30")

    assert answer.returncode == 0, answer.stdout + answer.stderr
    assert (told.folder / "clock").read_text().strip() == "0"


def test_the_two_hand_overs_of_today_gave_the_only_receipts(told: Told) -> None:
    mails = _mails(told, expected=2)

    assert sorted(_address(mail, "to") for mail in mails) == [
        "joaquim.bell@example.org",
        "petrus.vane@example.org",
    ]
    assert sorted(_address(mail, "reply-to") for mail in mails) == [
        "lantern-cove@example.org",
        "saltings-basin@example.org",
    ]


def test_one_fill_is_called_back_once_and_its_shop_could_not_know(office: httpx.Client) -> None:
    answer = office.get("/v1/office/exposures").raise_for_status().json()

    assert answer["in_all"] == 1
    [exposure] = answer["exposures"]
    assert exposure["serial"] == "CU90436"
    assert exposure["knew"] is False
    assert exposure["filled_on"] == exposure["found_on"]


def test_the_long_life_spans_two_years_and_three_shops(office: httpx.Client) -> None:
    [found] = (
        office.get("/v1/office/cylinders", params={"q": "OC20815"}).raise_for_status().json()["cylinders"]
    )
    life = office.get(f"/v1/office/cylinders/{found['cylinder_id']}").raise_for_status().json()

    fills = life["fills"]
    days = [datetime.date.fromisoformat(row["performed_on"]) for row in fills]
    assert len(fills) >= 15
    assert len({row["shop"] for row in fills}) == 3
    assert (max(days) - min(days)).days > 650


def test_the_newcomers_cylinder_is_clear(office: httpx.Client) -> None:
    [found] = (
        office.get("/v1/office/cylinders", params={"q": "HL77204"}).raise_for_status().json()["cylinders"]
    )
    assert found["tone"] == "good"


def test_every_page_says_that_it_is_practice(told: Told) -> None:
    for port in (*range(told.port, told.port + 4), told.port + 9):
        page = httpx.get(f"http://127.0.0.1:{port}/", follow_redirects=True, timeout=15)
        assert "Practice." in page.text, page.url


def test_new_codes_for_tablets_are_shown_on_request(told: Told) -> None:
    shown = told.filltrail("demo-codes")
    assert shown.returncode == 0, shown.stderr
    code = shown.stdout.split("Gannet Stairs")[1].split()[3]
    enrolled = httpx.post(f"http://127.0.0.1:{told.port + 2}/api/device", json={"code": code}, timeout=15)
    assert enrolled.status_code == 200


def test_the_newcomers_walk_fills_condemns_next_door_and_is_stopped(told: Told, tmp_path: Path) -> None:
    """Last, because it condemns the cylinder that the others leave alone."""
    layout = Layout(
        told.folder, ROOT / "demo_data", Ports(told.port), read_cast(ROOT / "demo_data/network.toml")
    )
    story = read_story(ROOT / "demo_data" / "story.toml")
    assert story.newcomer is not None
    plover = next(one for one in story.cylinders if one.key == story.newcomer.cylinder)
    walk = tmp_path / "story.toml"
    walk.write_text(_WALK.format(plover=_toml(plover)))
    actors = read_enrolled(told.folder).actors()
    counters = {
        slug: Counter(
            layout.shop_url(slug),
            enrol_device=partial(device_code, layout, slug),
            pins={actors[person.key]: person.pin for person in layout.cast.shop(slug).staff},
        )
        for slug in ("lantern", "gannet")
    }
    today = datetime.datetime.now(ZoneInfo(layout.cast.network.zone)).date()
    with httpx.Client(timeout=15) as http:
        done = tell(
            read_story(walk).steps,
            counters=counters,
            fill_in=FillIn(layout.cast, actors, today),
            told_file=tmp_path / "told.json",
            passing=Passing(wait_for_news=News(layout, http).wait_until_in_step),
        )
        assert [step.expect for step in done][-1] == "refused"
    for counter in counters.values():
        counter.close()
    subjects = [
        str(mail["subject"])
        for mail in _mails(told, expected=4)
        if _address(mail, "to") == "hana.littlewood@example.org"
    ]
    assert sorted(subjects) == [
        "Cylinder filled at Lantern Cove",
        "Do not use a cylinder that was filled for you",
    ]


_WALK = """
{plover}

[[step]]
shop = "lantern"
actor = "birk"
as = "walk"
visit = {{ cylinder = "plover", diver = "hana", tag = 71, whip = 4, residual = "500 psi", end = "2990 psi", slot = 27 }}

[[step]]
shop = "gannet"
actor = "marchbank"
after_news = true
command = "condemn"
fields = {{ cylinder_id = "{{cylinder:plover}}", performed_on = "{{day}}", reason = "A bulge above the foot", criterion_id = "condemn.bulge", last_four = "7204" }}

[[step]]
shop = "lantern"
actor = "birk"
as = "again"
after_news = true
visit = {{ cylinder = "plover", diver = "hana", tag = 72, last = "identify" }}

[[step]]
shop = "lantern"
actor = "birk"
command = "look_over"
fields = {{ visit_id = "{{visit:again}}", sound = true }}
expect = "refused"
"""


def _toml(cylinder: StoryCylinder) -> str:
    marks = cylinder.model_dump(exclude_none=True)
    return "[[cylinder]]\n" + "\n".join(f'{name} = "{value}"' for name, value in marks.items())


def _mails(told: Told, *, expected: int) -> list[EmailMessage]:
    deadline = time.monotonic() + 30
    while len(caught := list((told.folder / "mail").glob("*.eml"))) < expected:
        assert time.monotonic() < deadline, f"{len(caught)} mails were caught"
        time.sleep(0.1)
    return [message_from_bytes(path.read_bytes(), policy=policy.default) for path in caught]


def _address(mail: EmailMessage, header: str) -> str:
    return parseaddr(str(mail[header]))[1]


def _wait_for(log: Path, words: str, demo: "subprocess.Popen[bytes]") -> None:
    deadline = time.monotonic() + STARTS_WITHIN_S
    while words not in log.read_text(errors="replace"):
        assert demo.poll() is None, log.read_text(errors="replace")
        assert time.monotonic() < deadline, log.read_text(errors="replace")
        time.sleep(0.2)
