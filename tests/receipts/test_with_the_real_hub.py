"""The same with the real hub over a real PostgreSQL: what the twin in `story` says of a hub is true."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.network.shop import TEN_MINUTES, Served, Shop, hub_settings, let_shop_in, make_hub, now, serving
from tests.receipts.servers import ScriptedServer
from tests.receipts.story import AIR, ANA, DIVER, HANDED_OVER_ON, NITROX, Told, named

import rulebook
from cylinder.facts import Fact, HandedOver
from eventlog.event import Effect, Event, Seen
from eventlog.hub_client import enrol
from eventlog.keys import public_text
from eventlog.wire import Enrolment, PushAnswer
from network.enrolment import offer
from receipts.dispatch import Dispatch
from receipts.ledger import Ledger
from receipts.mail import sender_from
from receipts.post import Post, Relay
from receipts.reading import Reading

pytestmark = pytest.mark.wire


def test_a_hand_over_pushed_to_the_real_hub_is_mailed_once(fresh_database: str, tmp_path: Path) -> None:
    hub = make_hub(hub_settings(fresh_database, tmp_path / "hub"))
    shop, worker = Shop("harbour"), Shop("receipts")
    let_shop_in(hub, shop)
    with hub.database.transaction() as tx:
        offer(
            tx,
            "a-code-of-ours",
            slug="receipts",
            name="Receipts",
            role="reader",
            expires_at=now() + TEN_MINUTES,
        )
    with serving(hub) as served, ScriptedServer() as relay:
        asyncio.run(_story(served, shop, worker, relay, tmp_path / "receipts.sqlite3"))

    (given,) = relay.mails
    assert b"To: Ana Ruiz <ana@divers.example>" in given
    assert b"3442 psi" in given


async def _story(served: Served, shop: Shop, worker: Shop, relay: ScriptedServer, path: Path) -> None:
    worker.key = Ed25519PrivateKey.generate()
    enrolment = Enrolment(code="a-code-of-ours", public_key=public_text(worker.key.public_key()))
    enrolled = await enrol(served.http, served.url, enrolment)
    branch, reader = served.client(shop), served.client(worker)
    await branch.put_diver(ANA)
    shop.open()
    for told in (AIR, NITROX):
        for fact in told.facts():
            _record(shop, fact, told)
    for told in (AIR, NITROX):
        _record(shop, HandedOver(visit_id=told.visit_id, handover_id=named("hand-over one"), of=2), told)
    assert isinstance(await branch.push(shop.log), PushAnswer)

    ledger = Ledger(path)
    dispatch = Dispatch(
        ledger=ledger,
        hub=reader,
        post=Post(Relay("127.0.0.1", relay.port), greet_as="filltrail.example"),
        sender=sender_from("Filltrail receipts <receipts@filltrail.example>"),
        pack=rulebook.load("us"),
        clock=now,
        chance=lambda: 0.5,
    )
    await Reading(ledger, reader, enrolled.hub_node, now).catch_up()
    assert await dispatch.send_next() == 0.0
    assert await dispatch.send_next() is None
    assert ledger.shop("harbour").name == "Harbour"
    # The bell gives its first word at once.
    async for bell in reader.heads():
        assert bell.news.head == ledger.cursor().position
        break
    ledger.close()
    await served.http.aclose()


def _record(shop: Shop, fact: Fact, told: Told) -> None:
    shop.append(
        Event(
            id=named(f"real {len(shop.log)}"),
            kind=fact.KIND,
            v=fact.V,
            effect=Effect(fact.EFFECT),
            subject=f"cylinder/{told.cylinder_id}",
            body=fact.model_dump(mode="json"),
            performed_on=HANDED_OVER_ON,
            at=now(),
            seen=Seen(),
            actor="jo",
            role="operator",
            software="test",
            diver_ref=DIVER,
        )
    )
