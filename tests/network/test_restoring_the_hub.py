"""The hub as a process whose database was put back: it refuses, and begins again when its operator says so."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import httpx
import pytest
from tests.journeys.a_network import wait_until
from tests.network.asking import copy_of, put_back
from tests.network.shop import Shop
from tests.network.test_the_program import Program

from eventlog.envelope import Sealed, read
from eventlog.feed import Cursor
from eventlog.wire import Enrolled, FeedPage, PushAnswer, PushRefusal

pytestmark = [pytest.mark.wire, pytest.mark.slow]


@pytest.fixture
def program(tmp_path: Path, fresh_database: str) -> Program:
    return Program(tmp_path / "hub", fresh_database)


def push(program: Program, shop: Shop, enrolled: Enrolled) -> PushAnswer | PushRefusal:
    async def send() -> PushAnswer | PushRefusal:
        async with httpx.AsyncClient(trust_env=False) as http:
            return await program.client(http, shop, enrolled).push(shop.log)

    return asyncio.run(send())


def page(program: Program, shop: Shop, enrolled: Enrolled) -> FeedPage:
    async def read_it() -> FeedPage:
        async with httpx.AsyncClient(trust_env=False) as http:
            return await program.client(http, shop, enrolled).page(Cursor())

    return asyncio.run(read_it())


def give_back(program: Program, shop: Shop, enrolled: Enrolled, lost: list[Sealed]) -> tuple[str, ...]:
    async def give() -> tuple[str, ...]:
        async with httpx.AsyncClient(trust_env=False) as http:
            return (await program.client(http, shop, enrolled).give_back(lost)).settled

    return asyncio.run(give())


def test_a_database_that_was_put_back_is_refused_until_it_has_a_new_epoch(program: Program) -> None:
    url = program.environment["FILLTRAIL_DATABASE_URL"]
    with program.serving():
        shop, enrolled = program.joined("quay")
        shop.open()
        push(program, shop, enrolled)
    with copy_of(url) as backup:
        with program.serving():
            shop.record()
            other, _ = program.joined("pier")
            push(program, shop, enrolled)
            before = page(program, shop, enrolled)
            _wait_for_the_mark(program, before.head)
        put_back(backup, url)
    refused = program.run("serve")
    assert (refused.returncode, refused.stdout) == (2, "")
    assert f"the feed had come to position {before.head}" in refused.stderr
    assert "network new-epoch" in refused.stderr
    assert program.run("revoke", "quay", "--reason", "no matter").returncode == 2
    begun = program.run("new-epoch")
    assert (begun.returncode, "gives back" in begun.stdout) == (0, True), begun.stderr
    with program.serving():
        restored = page(program, shop, enrolled)
        assert restored.epoch != before.epoch
        assert push(program, shop, enrolled).answer == "accepted"
        lost = [item.sealed() for item in before.items if item not in restored.items]
        assert len(give_back(program, shop, enrolled, lost)) == len(lost)
        after = page(program, shop, enrolled)
        assert {item.raw for item in before.items} <= {item.raw for item in after.items}
        opening = read(restored.items[-1].raw.encode())
        assert (opening.event.kind, opening.event.body["reason"]) == ("node.log_opened", "restore")
        report = json.loads(program.run("verify", "--json").stdout)
    assert (report["problems"], report["epoch"]) == ([], restored.epoch)
    assert other.slug in {read(item.raw.encode()).event.body.get("node") for item in after.items}


def test_after_a_new_epoch_the_hub_writes_no_number_twice(program: Program) -> None:
    with program.serving():
        shop, enrolled = program.joined("quay")
    inc = (Path(program.environment["FILLTRAIL_DATA"]) / "hub.incarnation").read_text()
    assert program.run("new-epoch").returncode == 0
    assert (Path(program.environment["FILLTRAIL_DATA"]) / "hub.incarnation").read_text() != inc
    with program.serving():
        program.joined("pier")
        own = [read(item.raw.encode()).place for item in page(program, shop, enrolled).items]
    assert [(str(place.inc) == inc, place.seq) for place in own] == [
        (True, 1),
        (True, 2),
        (False, 1),
        (False, 2),
    ]


def test_a_key_is_withdrawn_and_a_suspicion_lifted_by_command(program: Program) -> None:
    with program.serving():
        shop, enrolled = program.joined("quay")
        shop.open()
        push(program, shop, enrolled)
        told = program.run("revoke", "quay", "--reason", "the machine was stolen")
        assert (told.returncode, "withdrawn" in told.stdout) == (0, True), told.stderr
        shop.record()
        assert push(program, shop, enrolled).answer == "quarantined"
    for words, why in (
        (("revoke", "quay", "--reason", "again"), "withdrawn before"),
        (("revoke", "nobody", "--reason", "gone"), "no node is called"),
        (("revoke", "hub", "--reason", "gone"), "no node is called"),
        (("lift-suspicion", "quay", "--finding", "all is well"), "nothing is held"),
    ):
        refused = program.run(*words)
        assert (refused.returncode, refused.stdout) == (2, "")
        assert why in refused.stderr


def _wait_for_the_mark(program: Program, position: int) -> None:
    path = Path(program.environment["FILLTRAIL_DATA"]) / "not-in-backups" / "high-water.json"

    def is_there() -> bool:
        return path.exists() and f'\\"position\\":{position}' in path.read_text()

    wait_until(is_there, "the mark on the disk")
