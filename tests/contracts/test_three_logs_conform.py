"""One behaviour in three stores: a shop's own log in SQLite, the hub's in PostgreSQL, another shop's copy in SQLite.

The same facts go through all three, in batches and pages of random sizes, with repeats; then the stored bytes,
the cumulative hash and every standing are compared. A store that changed a byte would be found here.
"""

from __future__ import annotations

import base64
import random
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.branch.a_shop import DIVER, RATED, Clock, Shop, open_shop
from tests.network.shop import hub_settings, make_hub, now

from branch.enrolment import write_key
from branch.settings import ShopSettings
from branch.store import views as look
from branch.store.rows import number, sealed_of
from cylinder import commands as c
from cylinder.marks import Marks
from eventlog.feed import PageRefused
from eventlog.keys import public_text
from eventlog.wire import FeedItem, FeedPage, Push, WireEnvelope
from network.enrolment import LetIn, let_in, offer
from network.hub import Hub
from network.ingest import Taken, take
from network.store.nodes import find_node
from network.store.pages import page
from network.verify import check_log
from sync.at_branch import HubSays, PageTaken, take_push_answer

pytestmark = pytest.mark.wire
SEEDS = (1, 2, 3)


@dataclass
class Parts:
    """The hub and two shops that it has let in."""

    hub: Hub
    one: Shop
    other: Shop


@pytest.fixture
def parts(fresh_database: str, tmp_path: Path) -> Iterator[Parts]:
    hub = make_hub(hub_settings(fresh_database, tmp_path))
    made = Parts(hub, _shop_of(hub, tmp_path, "reef"), _shop_of(hub, tmp_path, "quay"))
    yield made
    made.one.node.store.close()
    made.other.node.store.close()
    hub.close()


@pytest.mark.parametrize("seed", SEEDS)
def test_the_same_bytes_lie_in_every_log_and_the_same_standing_follows(parts: Parts, seed: int) -> None:
    chance = random.Random(seed)
    for number_of in range(6):
        _work(parts.one, chance, number_of)
        _publish(parts.hub, parts.one, chance)
        _read(parts.hub, parts.other, chance, whole=False)
    _publish(parts.hub, parts.one, chance)
    _publish(parts.hub, parts.other, chance)
    for shop in (parts.one, parts.other):
        _read(parts.hub, shop, chance, whole=True)
    at_hub = _hub_bytes(parts.hub)
    assert len(at_hub) > 40
    assert _shop_bytes(parts.one) == at_hub
    assert _shop_bytes(parts.other) == at_hub
    report = check_log(parts.hub.database, hub_key=parts.hub.key.public_key())
    assert not report.problems
    assert {_digest(parts.one), _digest(parts.other)} == {report.standing_digest}


def test_every_reader_refuses_a_page_that_does_not_go_on_where_it_stands(parts: Parts) -> None:
    chance = random.Random(7)
    _work(parts.one, chance, 0)
    _publish(parts.hub, parts.one, chance)
    good = _page(parts.hub, after=0, limit=5)
    wrong = {
        "gap": _page(parts.hub, after=2, limit=5),
        "hash": good.model_copy(update={"feed_hash": "0" * 64}),
        "order": good.model_copy(update={"items": tuple(reversed(good.items))}),
        "changed byte": good.model_copy(update={"items": (_changed(good.items[0]), *good.items[1:])}),
    }
    for name, bad in wrong.items():
        with pytest.raises(PageRefused), parts.other.node.store.writing() as tx:
            tx.absorb(bad, heard_at=now())
        assert _shop_bytes(parts.other) == {}, name
    with parts.other.node.store.writing() as tx:
        assert tx.absorb(good, heard_at=now()) == PageTaken(items=5, fresh=5, is_at_head=good.head == 5)
    foreign = _page(parts.hub, after=5, limit=5).model_copy(update={"epoch": "another"})
    with pytest.raises(PageRefused), parts.other.node.store.writing() as tx:
        tx.absorb(foreign, heard_at=now())


def _shop_of(hub: Hub, folder: Path, slug: str) -> Shop:
    data = folder / slug
    data.mkdir()
    key = Ed25519PrivateKey.generate()
    write_key(data, key)
    settings = ShopSettings(
        node=slug,
        name=slug.title(),
        hub_url="http://127.0.0.1:9",
        hub_node="hub",
        hub_public_key=public_text(hub.key.public_key()),
    )
    (data / "shop.json").write_text(settings.model_dump_json())
    code = uuid.uuid4().hex
    with hub.database.transaction() as tx:
        offer(tx, code, slug=slug, name=slug.title(), role="branch", expires_at=now().replace(year=2099))
        found = let_in(tx, hub.own_log, code, public_text(key.public_key()), fact_id=uuid.uuid4(), now=now())
    assert isinstance(found, LetIn)
    return open_shop(data, Clock(at=now()), take_on_staff=True)


def _work(shop: Shop, chance: random.Random, number_of: int) -> None:
    """A visit that ends somewhere, and now and then bad news."""
    marks = Marks(serial=f"W{chance.randrange(10**6):06d}", maker="ZQ", spec="3AL", first_test="2021-07")
    taken = shop.do(c.Greet, diver_ref=DIVER, level="Open water", cylinders=(c.Taken(tag=number_of + 1),))
    visit_id = taken.visit_ids[0]
    until = chance.choice(["outside", "standing", "rating", "dates"])
    while (at := shop.visit(visit_id).step) != until:
        if at == "rating":
            shop.do(c.ReadRating, visit_id=visit_id, rated=RATED)
        elif at == "dates":
            shop.do(c.ReadDates, visit_id=visit_id, requalified="2024-05", looked_inside=None)
        else:
            shop.answer(visit_id, at, marks=marks)
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    if chance.random() < 0.5:
        shop.condemn(cylinder_id, last_four=marks.serial[-4:])
    else:
        shop.do(c.PlaceHold, cylinder_id=cylinder_id, reason="odd sound when it is turned")


def _publish(hub: Hub, shop: Shop, chance: random.Random) -> None:
    """Push all that is not acknowledged, in random batches; some are sent twice, as after a lost answer."""
    with hub.database.transaction() as tx:
        node = find_node(tx, shop.node.settings.node)
    assert node is not None
    while run := shop.node.store.unsent(most=chance.randint(1, 9), most_bytes=10**6):
        body = Push(envelopes=tuple(WireEnvelope.of(one) for one in run)).model_dump_json().encode()
        if chance.random() < 0.3:
            take(hub.database, hub.recorder, node, body, own_seq=None, now=now())
        taken = take(hub.database, hub.recorder, node, body, own_seq=None, now=now())
        assert isinstance(taken, Taken)
        with shop.node.store.writing() as writing:
            take_push_answer(writing.log, HubSays("accepted", taken.head))


def _read(hub: Hub, shop: Shop, chance: random.Random, *, whole: bool) -> None:
    """Absorb pages of random sizes, to the end or part of the way."""
    for _ in range(1000 if whole else 2):
        with shop.node.store.writing() as tx:
            found = _page(hub, after=tx.node().feed.position, limit=chance.randint(1, 12))
            if not found.items:
                return
            tx.absorb(found, heard_at=now())


def _page(hub: Hub, *, after: int, limit: int) -> FeedPage:
    with hub.database.transaction() as tx:
        found = page(tx, after=after, limit=limit)
    items = tuple(
        FeedItem(
            position=one.position,
            received_at=one.received_at,
            raw=one.sealed.raw.decode(),
            signature=base64.b64encode(one.sealed.signature).decode(),
        )
        for one in found.items
    )
    return FeedPage(
        epoch=found.head.epoch,
        after=after,
        head=found.head.position,
        items=items,
        feed_hash=found.feed_hash,
        hub_time=now(),
    )


def _changed(item: FeedItem) -> FeedItem:
    return item.model_copy(update={"raw": item.raw.replace("hub", "bub", 1)})


def _hub_bytes(hub: Hub) -> dict[int, tuple[bytes, bytes]]:
    found: dict[int, tuple[bytes, bytes]] = {}
    while items := _page(hub, after=len(found), limit=100).items:
        found |= {item.position: (item.sealed().raw, item.sealed().signature) for item in items}
    return found


def _shop_bytes(shop: Shop) -> dict[int, tuple[bytes, bytes]]:
    with shop.node.store.reading() as cursor:
        cursor.execute(
            "select f.position, e.state from fact f join stored_events e on e.originator_id = f.inc "
            "and e.originator_version = f.seq where f.position is not null"
        )
        rows = cursor.fetchall()
    return {number(row[0]): (sealed_of(row[1]).raw, sealed_of(row[1]).signature) for row in rows}


def _digest(shop: Shop) -> str:
    with shop.node.store.reading() as cursor:
        return look.standing_digest(cursor)
