"""Condemned while the line was dead, filled next door, told of a week later: one exposure, one task, one mail, for ever.

Real processes: hub, two shops, mail worker. The week passes on a practice clock that all of them go by.
"""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
import uuid
from collections.abc import Iterator
from dataclasses import replace
from email import message_from_string, policy
from pathlib import Path

import httpx
import psycopg
import pytest
from tests.conftest import new_database
from tests.faults.a_line import EVERYTHING, Line
from tests.faults.troubles import reset
from tests.journeys.a_network import Network, ShopProgram, Tablet, _open_shop, start_network, wait_until
from tests.journeys.visits import Cylinder, Taken

import rulebook
from eventlog.practice import PRACTICE_CLOCK

pytestmark = [pytest.mark.wire, pytest.mark.slow, pytest.mark.timeout(300)]
DAY_S = 86_400
WITHIN_S = 90.0
CYLINDER = Cylinder("K40718")
CRITERION = rulebook.condemn_criteria(rulebook.load("us"))[0].id


class PracticeClock:
    """All programs of the network go by it. It begins a week ago."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.days_ago(7)

    def days_ago(self, days: int) -> None:
        partial = self.file.with_suffix(".partial")
        partial.write_text(str(-days * DAY_S))
        partial.replace(self.file)
        self.today = (dt.datetime.now(dt.UTC) - dt.timedelta(days=days)).date()


@pytest.fixture
def clock(tmp_path: Path) -> PracticeClock:
    return PracticeClock(tmp_path / "clock")


@pytest.fixture
def network(tmp_path: Path, postgres_url: str, clock: PracticeClock) -> Iterator[Network]:
    with new_database(postgres_url) as database_url:
        made = start_network(
            tmp_path,
            database_url,
            None,
            shops=("lantern",),
            mail=True,
            also={PRACTICE_CLOCK: str(clock.file)},
        )
        yield made
        made.stop()


def test_a_condemnation_that_comes_a_week_late_is_one_exposure_one_task_and_one_mail(
    network: Network, clock: PracticeClock
) -> None:
    with Line(hub_port=network.hub.port) as line:
        by_line = replace(network.hub, port=line.port)
        gannet = _open_shop(network.folder, by_line, "gannet", network.also)
        network.shops["gannet"] = gannet
        lantern = network.shops["lantern"]
        seen = Taken(gannet.tablet(), CYLINDER, tag=14).go_through(until="send_people_out")
        wait_until(lambda: _blocks(lantern, seen.cylinder_id) == [], "lantern knows the cylinder")

        # Monday: the line of gannet is dead, and it condemns.
        line.suffer(reset, EVERYTHING)
        block = _condemn(gannet.tablet("inspector"), seen.cylinder_id, clock.today)

        # Tuesday: lantern fills it, and cannot know.
        clock.days_ago(6)
        counter = lantern.tablet()
        diver = _new_diver(counter)
        filled = Taken(counter, CYLINDER, tag=3, diver=diver).go_through()
        assert filled.cylinder_id == seen.cylinder_id
        wait_until(lambda: _nothing_unsent(lantern), "the fill is at the hub", within_s=WITHIN_S)
        assert _blocks(lantern, seen.cylinder_id) == []
        assert _exposures(network) == []

        # Sunday: the line is back.
        clock.days_ago(0)
        line.heal()
        wait_until(lambda: len(_exposures(network)) == 1, "the exposure is found", within_s=WITHIN_S)
        wait_until(lambda: _blocks(lantern, seen.cylinder_id) == [block], "lantern knows", within_s=WITHIN_S)
        wait_until(lambda: len(_recall_mails(network)) == 1, "the diver is written to", within_s=WITHIN_S)
        _is_told_once(network, block, seen.cylinder_id)

        # Everything is started again, and gannet sends all that it has ever written once more.
        assert network.receipts is not None
        network.receipts.restart()
        network.hub.restart()
        lantern.restart()
        _send_everything_again(gannet)
        wait_until(lambda: _nothing_unsent(gannet), "all of it is acknowledged again", within_s=WITHIN_S)
        _until_the_mail_worker_has_read_all(network)
        _is_told_once(network, block, seen.cylinder_id)
        assert network.hub.ask("audit").startswith("0 knew")


def _is_told_once(network: Network, block: str, cylinder_id: str) -> None:
    ((block_id, fill_node, knew),) = _exposures(network)
    assert (block_id, fill_node, knew) == (block, "lantern", False)
    counter = network.shops["lantern"].tablet().http
    assert "1 fill of ours is called back" in counter.get("/").text
    task = counter.get("/recalls").text
    assert CYLINDER.serial in task
    assert "Condemned at Gannet" in task
    assert "could not have known" in task
    assert "Ana Duarte" in task
    assert "No fill of ours is called back" in network.shops["gannet"].tablet().http.get("/recalls").text
    (mail,) = _recall_mails(network)
    assert mail["to"].endswith("<ana@example.org>")
    assert network.mailbox is not None
    source = httpx.get(f"{network.mailbox.url}/mail/{mail['number']}/source", timeout=10).text
    body = message_from_string(source, policy=policy.default).get_body(("plain",))
    assert body is not None
    assert f"Serial {CYLINDER.serial}" in body.get_content()
    assert "at Gannet" in body.get_content()
    assert cylinder_id not in source


def _condemn(tablet: Tablet, cylinder_id: str, on: dt.date) -> str:
    answer = tablet.do(
        "condemn", cylinder_id=cylinder_id, performed_on=on.isoformat(), reason="Crack across two threads",
        criterion_id=CRITERION, last_four=CYLINDER.serial[-4:],
    )  # fmt: skip
    facts = answer["facts"]
    assert isinstance(facts, list)
    return next(str(fact["id"]) for fact in facts if fact["kind"] == "cylinder.condemned")


def _new_diver(tablet: Tablet) -> str:
    """Taken on by the page's form; the card goes to the hub's vault."""
    diver = uuid.uuid4().hex
    card = {
        "diver_ref": diver,
        "name": "Ana Duarte",
        "email": "ana@example.org",
        "phone": "",
        "consent": "yes",
    }
    answer = tablet.http.post("/greet/diver", data={**card, "key": str(uuid.uuid4())})
    assert answer.status_code == 303, answer.text
    return diver


def _blocks(shop: ShopProgram, cylinder_id: str) -> list[str] | None:
    """What stands open at a shop; None when it does not know the cylinder."""
    answer = shop.tablet().http.get(f"/api/cylinders/{cylinder_id}/standing")
    return [str(one["id"]) for one in answer.json()["blocks"]] if answer.status_code == 200 else None


def _nothing_unsent(shop: ShopProgram) -> bool:
    return bool(shop.tablet().http.get("/api/news").json()["unsent"] == 0)


def _exposures(network: Network) -> list[tuple[str, str, bool]]:
    with psycopg.connect(network.hub.env["FILLTRAIL_DATABASE_URL"]) as database:
        return [
            (str(row[0]), row[1], row[2])
            for row in database.execute("select block_id, fill_node, knew from exposure").fetchall()
        ]


def _recall_mails(network: Network) -> list[dict[str, str]]:
    assert network.mailbox is not None
    found = httpx.get(f"{network.mailbox.url}/api/mail", timeout=10).json()
    return [mail for mail in found if "<recall." in mail["message_id"]]


def _send_everything_again(shop: ShopProgram) -> None:
    """As after a restore of the hub: nothing counts as acknowledged any more."""
    shop.kill()
    with sqlite3.connect(Path(shop.env["FILLTRAIL_DATA"]) / "branch.sqlite") as database:
        database.execute("update node set acked_seq = 0")
    database.close()
    shop.start()


def _until_the_mail_worker_has_read_all(network: Network) -> None:
    assert network.receipts is not None
    news = network.shops["gannet"].tablet().http.get("/api/news").json()
    ready = f"{network.receipts.url}/readyz"
    wait_until(
        lambda: json.loads(httpx.get(ready, timeout=10).text)["position"] >= news["position"],
        "the mail worker has read all",
        within_s=WITHIN_S,
    )
