"""Condemn-to-stop: condemned at one shop, and the page of the open visit at the next is told to go to the stop."""

from __future__ import annotations

import datetime as dt
import json
import time
import uuid
from collections.abc import Sequence
from contextlib import closing
from http.client import HTTPResponse

import httpx
from tests.benchmarks.a_busy_shop import serial
from tests.benchmarks.measuring import Line, Row, row
from tests.journeys.a_network import Network, ShopProgram, wait_until
from tests.journeys.visits import Cylinder, Taken

import rulebook

WARM_UPS = 2
TOLD_WITHIN_S = 15.0
CATCH_UP_WITHIN_S = 60.0
_FIRST_SERIAL = 1_000_000  # Beyond every cylinder on record.


def condemn_to_stop(network: Network, n: int) -> list[Row]:
    """By the doorbell that the hub prefers, and by the one that it falls back to."""
    condemning, filling = network.shops["lantern"], network.shops["gannet"]
    half = n + WARM_UPS
    visits = _open_visits(filling, 2 * half)
    _wait_until_known(condemning, visits[-1])
    first = _one_bell(network, condemning, filling, visits[:half])
    hub = network.hub
    assert hub.running is not None
    hub.running.stop()
    hub.env = {name: value for name, value in hub.env.items() if name != "FILLTRAIL_REDIS_URL"}
    hub.start()
    wait_until(
        lambda: _bells(network) == len(network.shops), "both shops listen again", within_s=CATCH_UP_WITHIN_S
    )
    return [first, _one_bell(network, condemning, filling, visits[half:])]


def _one_bell(
    network: Network, condemning: ShopProgram, filling: ShopProgram, visits: Sequence[Taken]
) -> Row:
    kind = str(httpx.get(f"{network.hub.url}/readyz", timeout=10).json()["doorbell"])
    bench = Line(condemning.url, condemning.tablet("inspector").http.cookies)
    with closing(bench):
        pairs = [_once(bench, filling, taken) for taken in visits][WARM_UPS:]
    return row(
        f"condemned at one shop to stopped at the next, doorbell: {kind}",
        [stopped for _, stopped in pairs],
        "the same condemnation to its own answer",
        [answered for answered, _ in pairs],
        note="hub and two shops on this machine; to the `go` of the open page",
    )


def _once(bench: Line, filling: ShopProgram, taken: Taken) -> tuple[float, float]:
    """Seconds from the condemnation to its own answer, and to the word on the other shop's page."""
    body = json.dumps(
        {
            "command": "condemn",
            "key": str(uuid.uuid4()),
            "cylinder_id": taken.cylinder_id,
            "performed_on": dt.datetime.now(dt.UTC).date().isoformat(),
            "reason": "Crack across two threads, seen with mirror and lamp",
            "criterion_id": _CRITERION,
            "last_four": taken.cylinder.serial[-4:],
        }
    ).encode()
    page = Line(filling.url, filling.tablet().http.cookies)
    with closing(page):
        stream = page.open_stream(f"/stream?visit={taken.visit_id}")
        _read_until(stream, b"beat", before=b"go")
        began = time.perf_counter()
        answered_s = bench.time_post("/api/commands", body)
        _read_until(stream, b"go")
        return answered_s, time.perf_counter() - began


_CRITERION = rulebook.condemn_criteria(rulebook.load("us"))[0].id


def _read_until(stream: HTTPResponse, event: bytes, *, before: bytes | None = None) -> None:
    """Read the stream up to an event's first line."""
    deadline = time.monotonic() + TOLD_WITHIN_S
    while time.monotonic() < deadline:
        line = stream.readline()
        assert line, "the stream ended"
        name = line.removeprefix(b"event: ").strip()
        if name == event:
            return
        assert name != before, f"{before!r} came before {event!r}"
    raise AssertionError(f"no {event!r} within {TOLD_WITHIN_S:.0f} s")


def _open_visits(shop: ShopProgram, count: int) -> list[Taken]:
    """So many cylinders on the floor, each looked over and its standing seen."""
    tablet = shop.tablet()
    return [
        Taken(tablet, Cylinder(serial(_FIRST_SERIAL + tag)), tag=tag).go_through(until="send_people_out")
        for tag in range(1, count + 1)
    ]


def _wait_until_known(shop: ShopProgram, taken: Taken) -> None:
    where = f"/api/cylinders/{taken.cylinder_id}/standing"
    tablet = shop.tablet()
    wait_until(
        lambda: tablet.http.get(where).status_code == 200, "next door knows them", within_s=CATCH_UP_WITHIN_S
    )


def _bells(network: Network) -> int:
    """How many nodes listen to the hub."""
    text = httpx.get(f"{network.hub.url}/metrics", timeout=10).text
    found = [line for line in text.splitlines() if line.startswith("filltrail_open_bells ")]
    return int(float(found[0].split()[1])) if found else 0
