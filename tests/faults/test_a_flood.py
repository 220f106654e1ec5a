"""What pours out of the line without end is given up, in bounded memory and bounded time."""

from __future__ import annotations

import asyncio
import datetime as dt
import tracemalloc
from collections.abc import Awaitable, Callable, Iterator

import httpx
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.faults import troubles
from tests.faults.a_line import EVERYTHING, Line, Trouble
from tests.faults.troubles import FLOOD_MIB, MIB

from eventlog import hub_client
from eventlog.feed import Cursor
from eventlog.hub_client import MOST_BYTES_AN_ANSWER, HubClient, HubUnreachable
from filltrail.processes import free_port

pytestmark = pytest.mark.wire

ROOM_MIB = 3 * MOST_BYTES_AN_ANSWER // MIB
"""The largest answer, and the copies that are made while it grows. What pours out is much more."""


@pytest.fixture
def line() -> Iterator[Line]:
    """A line behind which there is no hub at all."""
    with Line(free_port()) as made:
        yield made


async def a_page(client: HubClient) -> None:
    await client.page(Cursor())


async def a_bell(client: HubClient) -> None:
    async for _ in client.heads():
        pass


def given_up(line: Line, what: Callable[[HubClient], Awaitable[None]]) -> str:
    """Why the shop gives the answer up."""

    async def ask() -> None:
        async with httpx.AsyncClient(trust_env=False) as http:
            key = Ed25519PrivateKey.generate()
            await what(
                HubClient(
                    http, base_url=line.url, node="lantern", key=key, hub_public_key=key.public_key(),
                    clock=lambda: dt.datetime.now(dt.UTC),
                )
            )  # fmt: skip

    with pytest.raises(HubUnreachable) as gone:
        asyncio.run(ask())
    return gone.value.reason


@pytest.mark.parametrize(
    ("trouble", "what"),
    [
        pytest.param(troubles.gzip_bomb, a_page, id="unpacks to a thousand times as much"),
        pytest.param(troubles.endless_body, a_page, id="a body without end"),
        pytest.param(troubles.endless_heads, a_page, id="headers without end"),
        pytest.param(troubles.endless_bell, a_bell, id="a bell whose line never ends"),
    ],
)
def test_an_answer_without_end_takes_no_more_memory_than_an_answer_may(
    line: Line, trouble: Trouble, what: Callable[[HubClient], Awaitable[None]]
) -> None:
    assert ROOM_MIB < FLOOD_MIB
    line.suffer(trouble, EVERYTHING)
    tracemalloc.start()
    try:
        given_up(line, what)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most / MIB < ROOM_MIB


def test_an_answer_that_drips_is_given_up(line: Line, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hub_client, "PATIENCE_S", 0.5)
    line.suffer(troubles.dripping, EVERYTHING)
    assert "slow" in given_up(line, a_page)
