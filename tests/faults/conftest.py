"""A hub, a shop's real program behind a line that can be made to fail, and a shop next door that speaks to the hub directly."""

from __future__ import annotations

import asyncio
import uuid
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest
from tests.conftest import new_database
from tests.faults.a_line import Line
from tests.faults.a_shop_program import Counter, make_counter
from tests.journeys.a_network import wait_until
from tests.network.shop import Served, Shop, hub_settings, let_shop_in, make_hub, now, serving

from eventlog import read
from eventlog.event import NO_HASH, Effect
from eventlog.feed import Cursor
from eventlog.hub_client import HubClient
from eventlog.keys import private_key
from eventlog.wire import FeedPage, PushAnswer


@dataclass(frozen=True)
class Faulty:
    """`lantern` is the program behind the line; the gannet pushes from this process."""

    served: Served
    line: Line
    lantern: Counter
    gannet: Shop

    def condemned_next_door(self) -> str:
        """The gannet condemns a cylinder, and the hub takes it; gives the cylinder's id."""
        cylinder_id = uuid.uuid4()
        self.gannet_records("cylinder.condemned", f"cylinder/{cylinder_id}", Effect.BLOCK)
        self.gannet_pushes()
        return str(cylinder_id)

    def gannet_records(self, kind: str, subject: str, effect: Effect = Effect.NEUTRAL) -> None:
        self.gannet.record(kind, {}, subject=subject, effect=effect)

    def gannet_pushes(self) -> None:
        async def push(client: HubClient) -> None:
            for start in range(0, len(self.gannet.log), 500):
                answer = await client.push(self.gannet.log[start : start + 500])
                assert isinstance(answer, PushAnswer), answer

        self._ask(push)

    def feed(self) -> FeedPage:
        """The hub's feed from its start; it is no longer than one page here."""
        pages: list[FeedPage] = []

        async def look(client: HubClient) -> None:
            pages.append(await client.page(Cursor("none", 0, NO_HASH)))

        self._ask(look)
        return pages[0]

    def everything_arrives(self, cylinder_id: str, recorded: list[str], *, within_s: float = 15) -> None:
        """The condemnation is known here, all that was recorded here is in the feed once, and both hold the same."""
        wait_until(
            lambda: self.lantern.is_blocked(cylinder_id), "the condemnation arrives", within_s=within_s
        )
        wait_until(self._is_in_step, "shop and hub in step", within_s=within_s)
        ids = [str(read(item.raw.encode()).event.id) for item in self.feed().items]
        assert set(recorded) <= set(ids)
        assert len(ids) == len(set(ids))
        assert sorted(ids) == sorted(self.lantern.ids())

    def _is_in_step(self) -> bool:
        news, head = self.lantern.news(), self.served.hub.head()
        return not news["unsent"] and news["position"] == head.position and news["epoch"] == head.epoch

    def _ask(self, what: Callable[[HubClient], Awaitable[None]]) -> None:
        async def there() -> None:
            async with httpx.AsyncClient(trust_env=False) as http:
                await what(
                    HubClient(
                        http, base_url=self.served.url, node=self.gannet.slug, key=self.gannet.key,
                        hub_public_key=self.served.hub.key.public_key(), clock=now,
                    )
                )  # fmt: skip

        asyncio.run(there())


@contextmanager
def faulty_network(
    folder: Path, database_url: str, *, page_limit: int | None = None, env: Mapping[str, str] | None = None
) -> Iterator[Faulty]:
    """Started and in step."""
    (folder / "hub").mkdir()
    hub = make_hub(hub_settings(database_url, folder / "hub"))
    lantern: Counter | None = None
    try:
        with serving(hub) as served, Line(urlsplit(served.url).port or 0, page_limit=page_limit) as line:
            lantern = make_counter(folder, hub.key, line.url, env=env)
            key = private_key((lantern.database.parent / "node.key").read_bytes())
            gannet = Shop("gannet")
            for shop in (Shop("lantern", key=key), gannet):
                let_shop_in(hub, shop)
            gannet.open()
            lantern.program.start()
            made = Faulty(served, line, lantern, gannet)
            made.everything_arrives(made.condemned_next_door(), [])
            yield made
            lantern.stop()
    finally:
        if lantern is not None:
            lantern.stop()
        hub.close()


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory, postgres_url: str) -> Iterator[Faulty]:
    with (
        new_database(postgres_url) as database_url,
        faulty_network(tmp_path_factory.mktemp("faulty"), database_url) as made,
    ):
        yield made
