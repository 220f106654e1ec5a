"""The line to the hub: what counts as news, what goes first, and what a fault on it may not do to the shop."""

from __future__ import annotations

import asyncio
import datetime as dt
import json
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import httpx
import pytest
import structlog
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from fastapi.testclient import TestClient
from tests.branch.a_shop import Shop, make_shop

from branch.store.rows import node_row
from branch.web.app import make_app
from branch.web.logs import set_up_logs
from branch.web.pages.render import chips
from eventlog.answer import sign_answer
from eventlog.chain import Head, links
from eventlog.event import NO_HASH
from eventlog.feed import PageRefused
from eventlog.hub_client import HubClient, HubUnreachable
from eventlog.keys import public_key
from eventlog.wire import (
    SIGNED_HEADER,
    DiverCard,
    FeedPage,
    HeadDocument,
    Push,
    PushAnswer,
)


@dataclass
class SmallHub:
    """A hub with an empty feed, in this process: it signs what it answers and keeps what it is sent."""

    key: Ed25519PrivateKey
    now: dt.datetime
    epoch: str = "e1"
    head: int = 0
    feed_hash: str = NO_HASH
    vault_is_well: bool = True
    taken: list[str] = field(default_factory=list)

    def __call__(self, request: httpx.Request) -> httpx.Response:
        match request.method, request.url.path:
            case "GET", "/v1/feed":
                after = int(request.url.params["after"])
                page = FeedPage(
                    epoch=self.epoch,
                    after=after,
                    head=self.head,
                    items=(),
                    feed_hash=self.feed_hash,
                    hub_time=self.now,
                )
                return self._signed(page.model_dump_json().encode())
            case "POST", path if path.endswith("/events"):
                run = links([one.sealed() for one in Push.model_validate_json(request.content).envelopes])
                self.taken += [link.envelope.event.kind for link in run]
                last = run[-1]
                head = HeadDocument.of(Head(last.envelope.place.inc, last.envelope.place.seq, last.hash))
                answer = PushAnswer(answer="accepted", head=head, position=0, hub_time=self.now)
                return self._signed(answer.model_dump_json().encode())
            case "PUT", _ if self.vault_is_well:
                return httpx.Response(204)
            case _:
                return httpx.Response(500)

    def _signed(self, body: bytes) -> httpx.Response:
        return httpx.Response(200, content=body, headers={SIGNED_HEADER: sign_answer(body, self.key)})


@pytest.fixture
def hub() -> SmallHub:
    return SmallHub(Ed25519PrivateKey.generate(), dt.datetime(2026, 6, 15, 9, 30, tzinfo=dt.UTC))


@pytest.fixture
def shop(tmp_path: Path, hub: SmallHub) -> Iterator[Shop]:
    made = make_shop(tmp_path, hub=hub.key)
    node = made.node
    node.sync.link.heard_at = None
    node.sync.client = HubClient(
        httpx.AsyncClient(transport=httpx.MockTransport(hub)),
        base_url=node.settings.hub_url,
        node=node.settings.node,
        key=node.store.author.key,
        hub_public_key=public_key(node.settings.hub_public_key),
        clock=made.clock.now,
    )
    yield made
    node.store.close()


def test_an_empty_page_at_the_head_is_news(shop: Shop) -> None:
    asyncio.run(shop.node.sync.pull_all())
    assert shop.node.sync.link.heard_at == shop.clock.now()
    assert shop.node.sync.link.state == "live"


def test_a_page_that_this_shop_cannot_take_is_no_news(shop: Shop, hub: SmallHub) -> None:
    hub.feed_hash = "f" * 64
    with pytest.raises(PageRefused):
        asyncio.run(shop.node.sync.pull_all())
    assert shop.node.sync.link.heard_at is None


def test_a_hub_of_another_epoch_is_followed_without_anybody_s_help(shop: Shop, hub: SmallHub) -> None:
    asyncio.run(shop.node.sync.pull_all())
    hub.epoch = "e2"
    asyncio.run(shop.node.sync.pull_all())
    with shop.node.store.reading() as cursor:
        row = node_row(cursor)
    assert row is not None
    assert (row.feed.epoch, row.acked_seq) == ("e2", 0)
    assert shop.node.sync.link.heard_at == shop.clock.now()


def test_an_answer_that_was_signed_long_ago_is_no_news(shop: Shop, hub: SmallHub) -> None:
    asyncio.run(shop.node.sync.pull_all())
    heard = shop.node.sync.link.heard_at
    shop.clock.move(dt.timedelta(minutes=9))
    asyncio.run(shop.node.sync.pull_all())
    assert shop.node.sync.link.heard_at != heard
    heard = shop.node.sync.link.heard_at
    shop.clock.move(dt.timedelta(minutes=2))
    with pytest.raises(PageRefused, match="long past"):
        asyncio.run(shop.node.sync.pull_all())
    assert shop.node.sync.link.heard_at == heard


def test_an_empty_page_below_the_head_is_refused_and_not_asked_for_at_once_again(
    shop: Shop, hub: SmallHub
) -> None:
    hub.head = 5
    with pytest.raises(PageRefused):
        asyncio.run(shop.node.sync.pull_all())
    assert shop.node.sync.link.heard_at is None


def test_a_vault_in_trouble_keeps_no_fact_here(shop: Shop, hub: SmallHub) -> None:
    hub.vault_is_well = False
    shop.node.divers.keep(DiverCard(diver_ref="diver-0001", name="Cy"))
    with pytest.raises(HubUnreachable):
        asyncio.run(shop.node.sync.push_all())
    assert "actor.certified" in hub.taken
    with shop.node.store.reading() as cursor:
        row = node_row(cursor)
    assert row is not None
    assert row.acked_seq == row.seq


def test_a_fault_nobody_foresaw_cuts_the_line_and_leaves_the_loops_running(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    sync = shop.node.sync

    async def some_rounds() -> bool:
        monkeypatch.setattr(sync.talk, "here", lambda: 1 / 0)
        loops = asyncio.create_task(sync.run())
        for _ in range(200):
            await asyncio.sleep(0.01)
            if sync.link.trouble:
                break
        is_running = not loops.done()
        loops.cancel()
        await asyncio.wait({loops})
        return is_running

    assert asyncio.run(some_rounds())
    assert sync.link.state == "cut"
    assert "ZeroDivisionError" in sync.link.trouble


def test_loops_that_ended_by_a_fault_make_the_node_not_ready(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def dies() -> None:
        raise MemoryError

    monkeypatch.setattr(shop.node.sync, "run", dies)
    with TestClient(make_app(shop.node)) as web:
        answer = web.get("/readyz")
    assert answer.status_code == 503
    assert "start this node again" in json.loads(answer.text)["detail"]


def test_a_log_that_may_not_be_pushed_is_said_on_every_page(shop: Shop) -> None:
    asyncio.run(shop.node.sync.pull_all())
    with shop.node.store.writing() as tx:
        tx.log.stand(replace(tx.node(), trouble="fork: the hub holds another envelope"))
    assert "not sending" in [chip.strong for chip in chips(shop.node, shop.clock.now())]


def test_a_bug_in_the_log_shows_where_and_never_what_was_keyed(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    def fails(name: str) -> float:
        return 1 / len(name[99:])

    was = structlog.get_config()
    set_up_logs()
    try:
        fails(shop.node.settings.name)
    except ZeroDivisionError as wrong:
        structlog.get_logger("branch.web").error("bug", exc_info=wrong)
    finally:
        structlog.configure(**was)
    line = capsys.readouterr().err
    assert "ZeroDivisionError" in line
    assert shop.node.settings.name not in line
