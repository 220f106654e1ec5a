"""The drills of infra/restore-a-shop.md on real processes: a backup put back, a machine enrolled anew, a lost disk."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from tests.conftest import new_database
from tests.journeys.a_network import PINS, Network, ShopProgram, start_network, wait_until
from tests.journeys.visits import Cylinder, Taken, condemn

from filltrail.layout import run

pytestmark = [pytest.mark.wire, pytest.mark.slow, pytest.mark.timeout(300)]
WITHIN_S = 90.0


@pytest.fixture
def network(tmp_path: Path, postgres_url: str) -> Iterator[Network]:
    with new_database(postgres_url) as database_url:
        made = start_network(tmp_path, database_url, None, shops=("lantern", "gannet"))
        yield made
        made.stop()


def test_a_backup_put_back_and_a_machine_enrolled_anew_and_a_lost_disk_lose_nothing_that_was_sent(
    network: Network,
) -> None:
    lantern, gannet = network.shops["lantern"], network.shops["gannet"]
    known = Taken(lantern.tablet(), Cylinder("K40718"), tag=1).go_through()
    network.wait_until_equal(within_s=WITHIN_S)

    # A backup is made; then a condemnation next door, which this node comes to know, and a fill of its own.
    kept = _backup(lantern, network.folder / "kept.sqlite")
    condemn(gannet.tablet("inspector"), Cylinder("K40718"), known.cylinder_id)
    filled = Taken(lantern.tablet(), Cylinder("B77310"), tag=2).go_through()
    network.wait_until_equal(within_s=WITHIN_S)
    held = _held(lantern)

    # It is put back while the line is dead: whatever this node forgot, it does not fill before it has read on.
    network.hub.kill()
    lantern.kill()
    _put_back(lantern, kept)
    lantern.start()
    assert "came from a backup" in str(_news(lantern)["trouble"])
    assert _news(lantern)["heard_at"] is None
    network.hub.start()
    network.wait_until_equal(within_s=WITHIN_S)
    assert _held(lantern) >= held
    assert set(filled.acknowledged) <= _held(gannet)
    assert _news(lantern)["trouble"] == ""
    assert _reasons(network) == ["first", "restore"]

    # Its key may have been copied: a new one, on the same folder.
    lantern.kill()
    _enrol(network, lantern)
    lantern.start()
    Taken(lantern.tablet(), Cylinder("M90254"), tag=3).go_through()
    network.wait_until_equal(within_s=WITHIN_S)
    assert _reasons(network) == ["first", "restore", "key-rotate"]

    # And then its disk is lost.
    held = _held(gannet)
    lantern.kill()
    for tablet in lantern.tablets:
        tablet.http.close()
    shutil.rmtree(lantern.env["FILLTRAIL_DATA"])
    _enrol(network, lantern, "--name", "Lantern", "--lost")
    staff = lantern.ask("staff", "--name", "M. Lantern", "--role", "manager", FILLTRAIL_PIN=PINS["operator"])
    lantern.actors, lantern.device, lantern.tablets = {"operator": staff}, None, []
    lantern.start()
    wait_until(lambda: held <= _held(lantern), "everything that was sent is back", within_s=WITHIN_S)
    network.wait_until_equal(within_s=WITHIN_S)
    assert _reasons(network)[-1] == "lost"
    assert not lantern.report()["problems"]


def _enrol(network: Network, shop: ShopProgram, *words: str) -> None:
    code = network.hub.ask("invite", "--name", "Lantern", "--slug", "lantern")
    run(
        "branch", "enrol", "--hub", network.hub.url, "--code", code, "--slug", "lantern", *words, env=shop.env
    )


def _database(shop: ShopProgram) -> Path:
    return Path(shop.env["FILLTRAIL_DATA"]) / "branch.sqlite"


def _backup(shop: ShopProgram, to: Path) -> Path:
    with closing(sqlite3.connect(_database(shop))) as source, closing(sqlite3.connect(to)) as target:
        source.backup(target)
    return to


def _put_back(shop: ShopProgram, kept: Path) -> None:
    for file in _database(shop).parent.glob("branch.sqlite*"):
        file.unlink()
    shutil.copy(kept, _database(shop))


def _held(shop: ShopProgram) -> set[str]:
    with closing(sqlite3.connect(_database(shop), timeout=10)) as connection:
        return {str(row[0]) for row in connection.execute("select event_id from fact")}


def _reasons(network: Network) -> list[str]:
    """Why each incarnation of the shop's log was begun, in the order of the feed."""
    with closing(sqlite3.connect(_database(network.shops["gannet"]), timeout=10)) as connection:
        rows = connection.execute(
            "select substr(state, 65) from fact_state where node = 'lantern' and kind = 'node.log_opened' "
            "and position is not null order by position"
        ).fetchall()
    found = [bytes(row[0]).decode().partition('"reason":"')[2].partition('"')[0] for row in rows]
    return found


def _news(shop: ShopProgram) -> dict[str, object]:
    found = shop.tablet().http.get("/api/news").json()
    assert isinstance(found, dict)
    return found
