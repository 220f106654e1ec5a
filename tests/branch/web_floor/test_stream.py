"""The live feed: the whole picture, what changes, the beat, and the stop that appears by itself."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from tests.branch.a_shop import Shop, make_shop
from tests.branch.web_floor.a_feed import Feed
from tests.branch.web_floor.conftest import A_WHILE, Served

from branch.web.gate import DEVICE_COOKIE, SESSION_COOKIE
from branch.web.pages import stream
from cylinder import commands as c
from cylinder.marks import KeyedPressure

Event = tuple[str, dict[str, object]]


@contextmanager
def listening(served: Served, query: str = "", *, with_session: bool = True) -> Iterator[Iterator[Event]]:
    """The events of one open page."""
    cookies = {name: value for name, value in served.cookies.items() if with_session or name == DEVICE_COOKIE}
    with (
        httpx.Client(cookies=cookies, timeout=5.0) as client,
        client.stream("GET", f"{served.url}/stream{query}") as answer,
    ):
        assert answer.headers["content-type"].startswith("text/event-stream")
        yield _events(answer.iter_lines())


def _events(lines: Iterator[str]) -> Iterator[Event]:
    name = ""
    for line in lines:
        if line.startswith("event: "):
            name = line.removeprefix("event: ")
        elif line.startswith("data: "):
            yield name, json.loads(line.removeprefix("data: "))


def wait_for(events: Iterator[Event], name: str) -> dict[str, object]:
    return next(data for found, data in events if found == name)


def elements(data: dict[str, object]) -> dict[str, str]:
    found = data["elements"]
    assert isinstance(found, dict)
    return found


def test_an_open_board_gets_the_whole_picture_and_then_what_changed(shop: Shop, served: Served) -> None:
    shop.greet(tag=7)
    with listening(served, "?board=1") as events:
        first = elements(wait_for(events, "picture"))
        assert first.keys() == {"mast-chips", "whips", "floor", "whips-count", "floor-count"}
        assert first["floor-count"] == "Floor: 0 full of 1"
        assert "tile-7" in first["floor"]
        assert wait_for(events, "beat")["now_ms"] == int(shop.clock.at.timestamp() * 1000)
        started = time.monotonic()
        shop.greet(tag=8)
        changed = elements(wait_for(events, "picture"))
        assert time.monotonic() - started < 1.0
        assert changed.keys() == {"floor", "floor-count"}
        assert "tile-8" in changed["floor"]


def test_a_page_of_a_visit_goes_to_the_stop_when_its_cylinder_is_condemned_here(
    shop: Shop, served: Served
) -> None:
    visit_id = shop.up_to("fill")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    with listening(served, f"?visit={visit_id}") as events:
        assert elements(wait_for(events, "picture")).keys() == {"mast-chips", "fill-live"}
        wait_for(events, "beat")
        shop.do(c.TakeReading, visit_id=visit_id, reading=KeyedPressure(value=1850, unit="psi"))
        assert "1850" in elements(wait_for(events, "picture"))["fill-live"]
        started = time.monotonic()
        shop.condemn(cylinder_id)
        assert wait_for(events, "go") == {"url": f"/visits/{visit_id}"}
        assert time.monotonic() - started < 1.0


def test_condemned_next_door_is_a_stop_on_this_screen_within_a_second(
    shop: Shop, served: Served, tmp_path: Path
) -> None:
    reef = make_shop(tmp_path, slug="reef")
    feed = Feed(shop, reef)
    visit_id = shop.up_to("fill")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    feed.pass_on()
    with listening(served, f"?visit={visit_id}") as events:
        wait_for(events, "beat")
        reef.condemn(cylinder_id)
        started = time.monotonic()
        feed.pass_on()
        assert wait_for(events, "go") == {"url": f"/visits/{visit_id}"}
        assert time.monotonic() - started < 1.0
    page = httpx.get(f"{served.url}/visits/{visit_id}", cookies=served.cookies).text
    assert "Stop the fill now: close both valves" in page
    assert "15 June 2026, Reef, I. Person" in page
    assert "Network record, news 0 s old." in page
    reef.node.store.close()


def test_a_hold_page_goes_on_when_it_is_answered_and_to_the_stop_when_condemned(
    shop: Shop, served: Served
) -> None:
    visit_id = shop.up_to("people_out")
    with listening(served, f"?visit={visit_id}") as events:
        wait_for(events, "beat")
        shop.do(c.HoldIt, visit_id=visit_id, why="Valve does not close")
        wait_for(events, "go")
    with listening(served, f"?visit={visit_id}&seen=hold") as events:
        wait_for(events, "beat")
        cylinder_id = shop.visit(visit_id).cylinder_id
        assert cylinder_id is not None
        shop.condemn(cylinder_id)
        wait_for(events, "go")


def test_a_tablet_does_not_lock_in_front_of_a_cylinder_that_is_being_filled(
    shop: Shop, served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stream, "BEAT_S", 0.02)

    def is_signed_in() -> bool:
        people = shop.node.people
        return people.session(served.cookies[SESSION_COOKIE], served.cookies[DEVICE_COOKIE]) is not None

    visit_id = shop.up_to("fill")
    with listening(served, f"?visit={visit_id}") as events:
        for _ in range(4):
            shop.clock.move(A_WHILE / 2)
            # The first beat may have been on its way; the second has looked at the moved clock.
            wait_for(events, "beat")
            wait_for(events, "beat")
    assert is_signed_in()
    shop.do(c.StopFill, visit_id=visit_id, why="Enough")
    with listening(served, f"?visit={visit_id}&seen=hold") as events:
        shop.clock.move(A_WHILE)
        wait_for(events, "beat")
        wait_for(events, "beat")
    assert not is_signed_in()


def test_the_feed_needs_a_tablet_of_the_shop_and_shows_no_diver(shop: Shop, served: Served) -> None:
    assert httpx.get(f"{served.url}/stream").status_code == 403
    shop.greet()
    with listening(served, "?board=1", with_session=False) as events:
        assert "Duarte" not in json.dumps(wait_for(events, "picture"))


def test_open_feeds_end_at_once_when_the_node_goes_down(shop: Shop, served: Served) -> None:
    with listening(served, "?board=1") as events:
        wait_for(events, "beat")
        started = time.monotonic()
        shop.node.live.close()
        assert [name for name, _ in events] == []
        assert time.monotonic() - started < 1.0
