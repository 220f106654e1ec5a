"""The drill of infra/restore-the-hub.md on real processes: yesterday's database is put back, and nothing is missing after it.

At the hub one command is given. At a shop nobody types anything.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.conftest import new_database
from tests.journeys.a_network import Network, ShopProgram, _open_shop, start_network, wait_until
from tests.journeys.visits import Cylinder, Taken, condemn
from tests.network.asking import copy_of, put_back

from filltrail.layout import attempt

pytestmark = [pytest.mark.wire, pytest.mark.slow, pytest.mark.timeout(600)]
SHOPS = ("lantern", "gannet", "osprey")
WITHIN_S = 180.0


@pytest.fixture
def network(tmp_path: Path, postgres_url: str) -> Iterator[Network]:
    with new_database(postgres_url) as database_url:
        made = start_network(tmp_path, database_url, None, shops=SHOPS)
        yield made
        made.stop()


def test_a_hub_restored_to_yesterday_is_given_everything_back_and_nobody_types_at_a_shop(
    network: Network,
) -> None:
    hub, database_url = network.hub, network.hub.env["FILLTRAIL_DATABASE_URL"]
    lantern, gannet, osprey = (network.shops[slug] for slug in SHOPS)
    known = Taken(lantern.tablet(), Cylinder("K40718"), tag=1).go_through()
    wait_until(lambda: _knows(osprey, known.cylinder_id), "the first day is everywhere", within_s=WITHIN_S)
    hub.kill()
    with copy_of(database_url) as yesterday:
        hub.start()
        # The day that the backup does not hold: a condemnation, a fill, and a shop that joined.
        condemn(gannet.tablet("inspector"), Cylinder("K40718"), known.cylinder_id)
        filled = Taken(gannet.tablet(), Cylinder("B77310"), tag=2).go_through()
        network.shops["heron"] = heron = _open_shop(network.folder, hub, "heron")
        late = Taken(heron.tablet(), Cylinder("M90254"), tag=3).go_through()
        made = set(filled.acknowledged + late.acknowledged)
        wait_until(
            lambda: network.is_in_step() and all(made <= _held(shop) for shop in network.shops.values()),
            "the second day is everywhere",
            within_s=WITHIN_S,
        )
        before = _held(lantern)
        _wait_for_the_mark(network)
        hub.kill()
        put_back(yesterday, database_url)
    refused = attempt("network", "serve", env=hub.env)
    assert refused.returncode == 2
    assert "network new-epoch" in refused.stderr
    # The hub is away, and work goes on.
    offline = Taken(osprey.tablet(), Cylinder("W63481"), tag=4).go_through()
    hub.ask("new-epoch")
    hub.start()
    network.wait_until_equal(within_s=WITHIN_S)
    for shop in network.shops.values():
        held = _held(shop)
        assert before <= held
        assert set(offline.acknowledged) <= held
        assert _is_blocked_at(shop, known.cylinder_id)
    report = hub.report()
    assert report["facts"] == len(_held(lantern))


def _wait_for_the_mark(network: Network) -> None:
    """The hub writes it once a second; a crash sooner than that is seen by what the shops show instead."""
    path = Path(network.hub.env["FILLTRAIL_DATA"]) / "not-in-backups" / "high-water.json"
    news = network.shops["lantern"].tablet().http.get("/api/news").json()
    wait_until(lambda: f'\\"position\\":{news["position"]}' in path.read_text(), "the mark is on the disk")


def _knows(shop: ShopProgram, cylinder_id: str) -> bool:
    return shop.tablet().http.get(f"/api/cylinders/{cylinder_id}/standing").status_code == 200


def _is_blocked_at(shop: ShopProgram, cylinder_id: str) -> bool:
    answer = shop.tablet().http.get(f"/api/cylinders/{cylinder_id}/standing")
    return answer.status_code == 200 and bool(answer.json()["blocks"])


def _held(shop: ShopProgram) -> set[str]:
    """The ids of all facts at a shop."""
    path = f"{shop.env['FILLTRAIL_DATA']}/branch.sqlite"
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as database:
        return {row[0] for row in database.execute("select event_id from fact")}
