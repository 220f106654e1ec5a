"""The hub as a process: its commands, its end, and what a kill leaves behind."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from tests.network.shop import Shop, now

from eventlog.hub_client import Bell, HubClient, HubUnreachable, enrol
from eventlog.keys import public_key, public_text
from eventlog.wire import Enrolled, Enrolment, PushAnswer
from filltrail.processes import free_port

pytestmark = [pytest.mark.wire, pytest.mark.slow]


class Program:
    """`python -m network` over one data folder and one database."""

    def __init__(self, data: Path, database_url: str) -> None:
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.environment = os.environ | {
            "FILLTRAIL_DATA": str(data),
            "FILLTRAIL_DATABASE_URL": database_url,
            "FILLTRAIL_REDIS_URL": "",
            "FILLTRAIL_PORT": str(self.port),
            "FILLTRAIL_OFFICER_PASSWORD": "a long pass phrase",
        }
        self.log = data.parent / "hub.log"

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "network", *words],
            env=self.environment, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip

    @contextmanager
    def serving(self) -> Iterator[subprocess.Popen[bytes]]:
        with self.log.open("ab") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "network", "serve"], env=self.environment, stdout=log, stderr=log
            )
        try:
            self._wait(process)
            yield process
        finally:
            process.kill()
            process.wait(10)

    def _wait(self, process: subprocess.Popen[bytes]) -> None:
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            assert process.poll() is None, self.log.read_text()
            try:
                if httpx.get(f"{self.url}/readyz", trust_env=False, timeout=2).status_code == 200:
                    return
            except httpx.TransportError:
                time.sleep(0.05)
        raise AssertionError(self.log.read_text())

    def joined(self, slug: str) -> tuple[Shop, Enrolled]:
        invited = self.run("invite", "--name", slug.title(), "--slug", slug)
        assert invited.returncode == 0, invited.stderr
        shop = Shop(slug)

        async def join() -> Enrolled:
            async with httpx.AsyncClient(trust_env=False) as http:
                key = public_text(shop.key.public_key())
                return await enrol(http, self.url, Enrolment(code=invited.stdout.strip(), public_key=key))

        return shop, asyncio.run(join())

    def client(self, http: httpx.AsyncClient, shop: Shop, enrolled: Enrolled) -> HubClient:
        return HubClient(
            http, base_url=self.url, node=shop.slug, key=shop.key,
            hub_public_key=public_key(enrolled.hub_public_key), clock=now,
        )  # fmt: skip


@pytest.fixture
def program(tmp_path: Path, fresh_database: str) -> Program:
    return Program(tmp_path / "hub", fresh_database)


def test_it_ends_at_once_when_told_to_although_nodes_listen(program: Program) -> None:
    async def listen_then_stop(process: subprocess.Popen[bytes], shop: Shop, enrolled: Enrolled) -> float:
        async with httpx.AsyncClient(trust_env=False) as http:
            bells = program.client(http, shop, enrolled).heads()
            await anext(bells)
            began = time.monotonic()
            process.send_signal(signal.SIGTERM)
            with pytest.raises(HubUnreachable):
                await _to_the_end(bells)
            assert await asyncio.to_thread(process.wait, 10) in (0, -signal.SIGTERM)
            return time.monotonic() - began

    with program.serving() as process:
        shop, enrolled = program.joined("quay")
        took_s = asyncio.run(listen_then_stop(process, shop, enrolled))
    assert took_s < 4
    assert "Traceback" not in program.log.read_text()


async def _to_the_end(bells: AsyncIterator[Bell]) -> None:
    async for _ in bells:
        pass


def test_what_was_acknowledged_outlives_a_kill(program: Program) -> None:
    async def push_until_dead(process: subprocess.Popen[bytes], shop: Shop, enrolled: Enrolled) -> int:
        acknowledged = 0
        async with httpx.AsyncClient(trust_env=False) as http:
            client = program.client(http, shop, enrolled)
            shop.open()
            for n in range(2000):
                shop.record()
                if n == 40:
                    # While a push is on its way.
                    asyncio.get_running_loop().call_later(0.004, process.kill)
                try:
                    answer = await client.push(shop.log[acknowledged : acknowledged + 500])
                except HubUnreachable:
                    return acknowledged
                assert isinstance(answer, PushAnswer)
                acknowledged = answer.head.seq
        raise AssertionError("the hub did not die")

    async def push_rest(shop: Shop, enrolled: Enrolled, acknowledged: int) -> PushAnswer:
        async with httpx.AsyncClient(trust_env=False) as http:
            answer = await program.client(http, shop, enrolled).push(
                shop.log[acknowledged : acknowledged + 500]
            )
        assert isinstance(answer, PushAnswer), answer
        return answer

    with program.serving() as process:
        shop, enrolled = program.joined("quay")
        acknowledged = asyncio.run(push_until_dead(process, shop, enrolled))
    assert acknowledged > 0
    with program.serving():
        answer = asyncio.run(push_rest(shop, enrolled, acknowledged))
        report = json.loads(program.run("verify", "--json").stdout)
    assert answer.head.seq == len(shop.log)
    assert (report["problems"], report["node"]) == ([], "hub")
    assert report["facts"] == report["position"] == answer.position


def test_the_commands_say_what_they_did(program: Program) -> None:
    migrated = program.run("migrate")
    assert "applied 001_the_log.sql" in migrated.stdout
    assert program.run("migrate").stdout == ""
    assert program.run("officer", "--name", "A. Ossel", "--login", "ossel").stdout == "ossel may sign in\n"
    assert program.run("rebuild", "cylinders").stdout == "cylinders: 2 facts read\n"
    refused = program.run("rebuild", "nothing")
    assert (refused.returncode, refused.stdout) == (2, "")
    assert "there are cylinders" in refused.stderr
    assert program.run("invite", "--name", "X", "--slug", "Not A Slug").returncode == 2
    verified = program.run("verify")
    assert (verified.returncode, "nothing is wrong" in verified.stdout) == (0, True)


def test_its_secrets_are_readable_by_their_owner_alone(program: Program) -> None:
    program.run("officer", "--name", "A. Ossel", "--login", "ossel")
    data = Path(program.environment["FILLTRAIL_DATA"])
    for name in ("hub.key", "vault.key", "hub.incarnation"):
        assert (data / name).stat().st_mode & 0o077 == 0


def test_a_missing_setting_is_named(program: Program) -> None:
    del program.environment["FILLTRAIL_DATABASE_URL"]
    refused = program.run("serve")
    assert refused.returncode == 2
    assert "FILLTRAIL_DATABASE_URL is not set" in refused.stderr


def test_two_hubs_migrate_one_database_at_the_same_moment(program: Program) -> None:
    both = [
        subprocess.Popen(
            [sys.executable, "-m", "network", "migrate"],
            env=program.environment,
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    said = [process.communicate(timeout=60)[0] for process in both]
    assert [process.returncode for process in both] == [0, 0]
    assert sorted(len(one.splitlines()) for one in said) == [0, len(program_migrations())]


def program_migrations() -> list[str]:
    folder = Path(__file__).parents[2] / "services" / "network" / "migrations"
    return sorted(path.name for path in folder.glob("*.sql"))
