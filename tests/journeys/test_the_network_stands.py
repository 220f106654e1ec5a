"""The main job on real processes: condemned at one shop, stopped at the next; and nothing acknowledged is ever lost."""

from __future__ import annotations

import random
import sqlite3
import time
from collections.abc import Callable
from contextlib import suppress
from threading import Timer

import httpx
import pytest
from tests.journeys.a_network import Network, Program, ShopProgram, wait_until
from tests.journeys.visits import Cylinder, Taken, condemn, new_key

pytestmark = [pytest.mark.wire, pytest.mark.slow]
KILLS = 20


def _is_blocked_at(shop: ShopProgram, cylinder_id: str) -> bool:
    answer = shop.tablet().http.get(f"/api/cylinders/{cylinder_id}/standing")
    return answer.status_code == 200 and bool(answer.json()["blocks"])


def _reaches(shop: ShopProgram, cylinder_id: str) -> None:
    tablet = shop.tablet()
    where = f"/api/cylinders/{cylinder_id}/standing"
    wait_until(lambda: tablet.http.get(where).status_code == 200, f"{shop.name} knows the cylinder")


def test_a_cylinder_condemned_next_door_is_refused_here(network: Network) -> None:
    lantern, gannet = network.shops["lantern"], network.shops["gannet"]
    cylinder = Cylinder("K40718")
    here = Taken(lantern.tablet(), cylinder, tag=14).go_through(until="send_people_out")
    _reaches(gannet, here.cylinder_id)
    condemn(gannet.tablet("inspector"), cylinder, here.cylinder_id)
    wait_until(
        lambda: _is_blocked_at(lantern, here.cylinder_id), "the condemnation is known next door", within_s=3
    )
    refused = here.tablet.send("send_people_out", visit_id=here.visit_id)
    again = here.tablet.send("blow_out", visit_id=here.visit_id, is_blown_out=True, o_ring="good")
    assert again.status_code == 409
    words = again.json()["detail"]
    assert "Condemned" in words
    assert "gannet" in words
    assert "Crack across two threads" in words
    assert refused.status_code in (200, 409)  # People may always be sent out; the gas may not flow.
    network.wait_until_equal()


def test_with_the_hub_dead_both_shops_go_on_and_catch_up_by_themselves(network: Network) -> None:
    lantern, gannet = network.shops["lantern"], network.shops["gannet"]
    before = Taken(lantern.tablet(), Cylinder("A1001"), tag=1).go_through()
    _reaches(gannet, before.cylinder_id)
    network.hub.kill()
    Taken(lantern.tablet(), Cylinder("A1002"), tag=2).go_through()
    Taken(gannet.tablet(), Cylinder("A1003"), tag=3).go_through()
    condemn(gannet.tablet("inspector"), Cylinder("A1001"), before.cylinder_id)
    news = lantern.tablet().http.get("/api/news").json()
    assert news["unsent"] > 0
    wait_until(
        lambda: lantern.tablet().http.get("/api/news").json()["link"] == "cut",
        "the shop says that the line is cut",
    )
    assert news["heard_at"] is not None
    network.hub.start()
    wait_until(
        lambda: _is_blocked_at(lantern, before.cylinder_id), "the late condemnation arrives", within_s=70
    )
    network.wait_until_equal(within_s=70)


def test_no_acknowledged_fact_is_lost_when_any_process_is_killed_at_any_moment(network: Network) -> None:
    """Twenty SIGKILLs at random moments, of hub and shops, while both counters work; a fixed seed chooses."""
    chance = random.Random(20260615)
    victims: list[Program] = [network.hub, *network.shops.values()]
    acknowledged: dict[str, list[str]] = {slug: [] for slug in network.shops}
    killed, number = 0, 0
    while killed < KILLS:
        number += 1
        slug = chance.choice(sorted(network.shops))
        shop = network.shops[slug]
        taken = Taken(shop.tablet(), Cylinder(f"R{number:05d}"), tag=1 + number % 90, slot=1)
        for name, fields in taken.commands():
            key = new_key()
            if killed < KILLS and chance.random() < 0.15:
                victim = chance.choice(victims)
                killed += 1
                answer = _send_while_killing(taken, name, fields, key, victim, after_s=chance.random() * 0.01)
            else:
                answer = taken.tablet.send(name, key=key, **fields())
            if answer.status_code == 401:
                taken.tablet = shop.tablet()
                answer = taken.tablet.send(name, key=key, **fields())
            assert answer.status_code == 200, (name, answer.text)
            taken.note(answer.json())
        acknowledged[slug] += taken.acknowledged
    network.wait_until_equal(within_s=90)
    for slug, ids in acknowledged.items():
        assert set(ids) <= _held(network.shops[slug], slug)
        for other in network.shops.values():
            assert set(ids) <= _held(other, slug), f"{other.name} misses facts of {slug}"


def _send_while_killing(
    taken: Taken,
    name: str,
    fields: Callable[[], dict[str, object]],
    key: object,
    victim: Program,
    *,
    after_s: float,
) -> httpx.Response:
    """Kill `victim` around the moment the command is sent, start it again, and send the same tap until it is answered."""
    timer = Timer(after_s, victim.kill)
    timer.start()
    answer: httpx.Response | None = None
    with suppress(httpx.TransportError):
        answer = taken.tablet.send(name, key=key, **fields())
    timer.join()
    victim.start()
    deadline = time.monotonic() + 20
    while answer is None and time.monotonic() < deadline:
        try:
            answer = taken.tablet.send(name, key=key, **fields())
        except httpx.TransportError:
            time.sleep(0.05)
    assert answer is not None
    return answer


def _held(shop: ShopProgram, node: str) -> set[str]:
    path = f"{shop.env['FILLTRAIL_DATA']}/branch.sqlite"
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as database:
        return {row[0] for row in database.execute("select event_id from fact where node = ?", (node,))}
