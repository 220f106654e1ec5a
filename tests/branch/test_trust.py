"""Whose word counts: the hub's for keys, each shop's own for its visits and its people, the facts' over any kept row."""

from __future__ import annotations

import base64
import uuid
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.branch.a_shop import RATED, Shop, make_shop, open_shop

from branch.store import StoreIsBroken
from branch.store import views as look
from branch.store.rows import node_row, number, standing_row
from branch.verify import check, rebuild
from cylinder import commands as c
from cylinder.facts import ActorCertified, HandedOver, RatingRead
from cylinder.marks import KeyedPressure
from cylinder.recorded import cylinder_subject, derived_id
from cylinder.refusal import Refused
from eventlog import Effect, Event, Place, Sealed, Seen, seal
from eventlog.event import NO_HASH
from eventlog.feed import next_feed_hash
from eventlog.keys import key_id, public_text
from eventlog.wire import FeedItem, FeedPage, WireEnvelope


class Outsider:
    """Another node whose facts reach the shop by the feed, whatever they say."""

    def __init__(self, shop: Shop, slug: str, key: Ed25519PrivateKey | None = None) -> None:
        self.shop, self.slug, self.key = shop, slug, key or Ed25519PrivateKey.generate()
        self.inc, self.sealed = uuid.uuid4(), list[Sealed]()
        if key is None:
            with shop.node.store.writing() as tx:
                tx.trust(slug, public_text(self.key.public_key()), slug.title())

    def says(
        self, kind: str, subject: str, body: dict[str, object], *, effect: Effect = Effect.NEUTRAL
    ) -> Sealed:
        now = self.shop.clock.now()
        event = Event.model_validate(
            {
                "id": uuid.uuid4(),
                "kind": kind,
                "v": 1,
                "effect": effect,
                "subject": subject,
                "body": body,
                "performed_on": now.date(),
                "at": now,
                "seen": Seen(),
                "actor": "x",
                "role": "inspector",
                "software": "other",
            }
        )
        prev = self.sealed[-1].hash if self.sealed else NO_HASH
        place = Place(self.slug, key_id(self.key.public_key()), self.inc, len(self.sealed) + 1, prev)
        self.sealed.append(seal(event, place, recorded_at=now, key=self.key))
        return self.sealed[-1]


def _absorb(shop: Shop, *sealed: Sealed, head: int | None = None) -> None:
    """Bring these facts as the next page of the feed."""
    with shop.node.store.writing() as tx:
        feed = tx.node().feed
        feed_hash = feed.feed_hash
        items = []
        for n, one in enumerate(sealed, start=feed.position + 1):
            feed_hash = next_feed_hash(feed_hash, one.hash)
            signature = base64.b64encode(one.signature).decode()
            items.append(
                FeedItem(position=n, received_at=shop.clock.now(), raw=one.raw.decode(), signature=signature)
            )
        page = FeedPage(
            epoch="e1",
            after=feed.position,
            head=head or feed.position + len(items),
            items=tuple(items),
            feed_hash=feed_hash,
            hub_time=shop.clock.now(),
        )
        tx.absorb(page, heard_at=shop.clock.now())


def _position(shop: Shop) -> int:
    with shop.node.store.reading() as cursor:
        row = node_row(cursor)
    assert row is not None
    return row.feed.position


def _unproven(shop: Shop) -> int:
    with shop.node.store.reading() as cursor:
        cursor.execute("select count(*) from fact where is_proven = 0")
        row = cursor.fetchone()
    assert row is not None
    return number(row[0])


def _enrols(node: str, key: str) -> dict[str, object]:
    return {"node": node, "public_key": key, "name": node.title()}


def test_a_shop_that_enrols_another_shops_key_is_not_believed(shop: Shop) -> None:
    reef, forged = Outsider(shop, "reef"), Ed25519PrivateKey.generate()
    _absorb(shop, reef.says("node.enrolled", "node/quay", _enrols("quay", public_text(forged.public_key()))))
    in_quays_name = Outsider(shop, "quay", forged)
    _absorb(shop, in_quays_name.says("node.log_opened", "node/quay", {}))
    assert _position(shop) == 2
    assert _unproven(shop) == 1
    report = check(shop.node.store)
    assert report.problems == ()
    assert report.not_believed == (
        "quay 1, position 2 of the feed: no key that is known here bears out its signature",
    )


def test_the_hub_enrols_a_shop_and_its_facts_are_believed(tmp_path: Path) -> None:
    key, quay_key = Ed25519PrivateKey.generate(), Ed25519PrivateKey.generate()
    shop = make_shop(tmp_path, hub=key)
    hub, quay = Outsider(shop, "hub", key), Outsider(shop, "quay", quay_key)
    enrolled = hub.says("node.enrolled", "node/quay", _enrols("quay", public_text(quay_key.public_key())))
    _absorb(shop, enrolled, quay.says("node.log_opened", "node/quay", {}))
    with shop.node.store.reading() as cursor:
        row = node_row(cursor)
    assert row is not None
    assert row.feed.position == 2
    shop.node.store.close()


def test_a_key_that_is_none_is_not_taken_and_stops_nothing(tmp_path: Path) -> None:
    key = Ed25519PrivateKey.generate()
    shop = make_shop(tmp_path, hub=key)
    hub = Outsider(shop, "hub", key)
    _absorb(shop, hub.says("node.enrolled", "node/quay", _enrols("quay", "no key")))
    _absorb(shop, hub.says("node.noted", "node/hub", {}))
    assert _position(shop) == 2
    shop.node.store.close()


def test_an_item_that_cannot_be_read_keeps_its_position_and_stops_nothing(shop: Shop) -> None:
    _absorb(shop, Sealed(raw=b'{"specversion":"1.0"}', signature=bytes(64)))
    _absorb(shop, Outsider(shop, "reef").says("node.log_opened", "node/reef", {}))
    assert _position(shop) == 2
    report = check(shop.node.store)
    assert report.problems == ()
    assert report.not_believed == ("position 1 of the feed cannot be read",)


def test_a_block_by_an_unknown_key_stops_the_fill_and_its_clear_does_not_open_it(shop: Shop) -> None:
    visit_id = shop.up_to("target")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    stranger = Outsider(shop, "quay", Ed25519PrivateKey.generate())
    block = stranger.says("cylinder.sighted", cylinder_subject(cylinder_id), {}, effect=Effect.BLOCK)
    _absorb(shop, block)
    with pytest.raises(Refused):
        shop.do(c.Authorise, visit_id=visit_id, target=RATED)
    _absorb(shop, stranger.says("cylinder.cleared", cylinder_subject(cylinder_id), {}, effect=Effect.CLEAR))
    with pytest.raises(Refused):
        shop.do(c.Authorise, visit_id=visit_id, target=RATED)


def test_facts_that_came_before_their_key_are_believed_when_the_hub_brings_it(tmp_path: Path) -> None:
    key, quay_key = Ed25519PrivateKey.generate(), Ed25519PrivateKey.generate()
    shop = make_shop(tmp_path, hub=key)
    quay = Outsider(shop, "quay", quay_key)
    named = ActorCertified(actor_id="p-quay", known_as="Q. Person", role="inspector")
    _absorb(shop, quay.says(named.KIND, "actor/p-quay", named.model_dump(mode="json")))
    assert _unproven(shop) == 1
    with shop.node.store.reading() as cursor:
        assert "p-quay" not in look.names(cursor)[1]
    key_text = public_text(quay_key.public_key())
    _absorb(shop, Outsider(shop, "hub", key).says("node.enrolled", "node/quay", _enrols("quay", key_text)))
    assert _unproven(shop) == 0
    with shop.node.store.reading() as cursor:
        assert look.names(cursor)[1]["p-quay"] == "Q. Person"
    shop.node.store.close()


def test_a_forged_word_in_our_own_name_ends_no_visit_of_ours(shop: Shop) -> None:
    visit_id = shop.up_to("people_out")
    was, forger = shop.visit(visit_id), Outsider(shop, "pier", Ed25519PrivateKey.generate())
    assert was.cylinder_id is not None
    ended = HandedOver(visit_id=visit_id, handover_id=uuid.uuid4(), of=1)
    _absorb(shop, forger.says(ended.KIND, cylinder_subject(was.cylinder_id), ended.model_dump(mode="json")))
    shop.node.store.close()
    again = open_shop(shop.node.store.path.parent, shop.clock)
    assert again.node.desk.open_visits() == (was,)
    again.node.store.close()


def test_another_shop_cannot_change_or_end_a_visit_of_ours(shop: Shop) -> None:
    visit_id = shop.up_to("people_out")
    was, reef = shop.visit(visit_id), Outsider(shop, "reef")
    assert was.cylinder_id is not None
    subject = cylinder_subject(was.cylinder_id)
    higher = RatingRead(visit_id=visit_id, rated=KeyedPressure(value=4500, unit="psi"))
    ended = HandedOver(visit_id=visit_id, handover_id=uuid.uuid4(), of=1)
    _absorb(
        shop,
        *(reef.says(one.KIND, subject, one.model_dump(mode="json")) for one in (higher, ended)),
    )
    shop.node.store.close()
    again = open_shop(shop.node.store.path.parent, shop.clock)
    assert again.node.desk.open_visits() == (was,)
    again.node.store.close()


def test_another_shop_cannot_make_an_inspector_of_our_operator(shop: Shop) -> None:
    ours = shop.actors["operator"]
    promoted = ActorCertified(
        actor_id=ours.id, known_as="Somebody", role="inspector", certificate_until="2099-01-01"
    )
    reef = Outsider(shop, "reef")
    _absorb(shop, reef.says(promoted.KIND, f"actor/{ours.id}", promoted.model_dump(mode="json")))
    _absorb(shop, reef.says(promoted.KIND, "actor/p-other", promoted.model_dump(mode="json")))
    assert ours in {person.actor for person in shop.node.people.staff()}


def test_news_in_the_middle_of_the_feed_does_not_count_as_heard(shop: Shop) -> None:
    reef = Outsider(shop, "reef")
    _absorb(shop, reef.says("node.log_opened", "node/reef", {}), head=2)
    with shop.node.store.reading() as cursor:
        row = node_row(cursor)
    assert row is not None
    assert row.heard_at is None
    _absorb(shop, reef.says("node.noted", "node/reef", {}))
    with shop.node.store.reading() as cursor:
        row = node_row(cursor)
    assert row is not None
    assert row.heard_at == shop.clock.now()


def test_a_standing_that_cannot_be_read_keeps_no_block_out_and_is_written_anew(shop: Shop) -> None:
    visit_id = shop.up_to("target")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    with shop.node.store.writing() as tx:
        tx.c.execute("update standing set document = '{'")
    with pytest.raises(StoreIsBroken):
        shop.do(c.Authorise, visit_id=visit_id, target=RATED)
    assert check(shop.node.store).problems != ()
    _absorb(shop, Outsider(shop, "reef").says("cylinder.condemned", cylinder_subject(cylinder_id), {}))
    with shop.node.store.reading() as cursor:
        found = standing_row(cursor, cylinder_id)
    assert found is not None
    assert not found.is_clear


def test_a_rebuild_brings_back_a_standing_that_cannot_be_read(shop: Shop) -> None:
    shop.up_to("rating")
    with shop.node.store.writing() as tx:
        tx.c.execute("update standing set document = '{'")
    assert rebuild(shop.node.store) == 1
    assert check(shop.node.store).problems == ()


def test_a_block_that_fell_out_of_the_kept_standing_still_stops_the_fill(shop: Shop) -> None:
    visit_id = shop.up_to("target")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    with shop.node.store.reading() as cursor:
        clear = standing_row(cursor, cylinder_id)
    assert clear is not None
    shop.condemn(cylinder_id)
    with shop.node.store.writing() as tx:
        tx.c.execute("update standing set document = ?", (clear.model_dump_json(),))
    with pytest.raises(StoreIsBroken, match="not what its facts say"):
        shop.do(c.Authorise, visit_id=visit_id, target=RATED)
    assert shop.visit(visit_id).authorised is None


def test_a_block_that_fell_out_of_the_kept_standing_still_stops_a_blend(shop: Shop) -> None:
    visit_id = shop.up_to("target")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    with shop.node.store.reading() as cursor:
        clear = standing_row(cursor, cylinder_id)
    assert clear is not None
    shop.condemn(cylinder_id)
    with shop.node.store.writing() as tx:
        tx.c.execute("update standing set document = ?", (clear.model_dump_json(),))
    with pytest.raises(StoreIsBroken, match="not what its facts say"):
        shop.do(
            c.PlanBlend, visit_id=visit_id, oxygen_percent=21, helium_percent=0, cylinder_c=20, step_c=20, end=RATED,
            volume_litre=11.1, gases=("Air from the compressor",), valve="yoke",
        )  # fmt: skip
    assert shop.visit(visit_id).authorised is None


def test_an_append_that_failed_after_it_was_kept_is_seen_by_the_next_command(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit_id = shop.up_to("outside")
    key = uuid.uuid4()
    with monkeypatch.context() as broken:
        broken.setattr(shop.node.desk, "_move_visits", lambda _: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            shop.do(c.LookOver, key=key, visit_id=visit_id, sound=True)
    assert shop.do(c.LookOver, key=key, visit_id=visit_id, sound=True).is_repeat
    assert shop.visit(visit_id).step == "dates"


def test_a_push_is_no_larger_than_the_hub_takes_whatever_is_keyed(shop: Shop) -> None:
    visit_id = shop.up_to("outside")
    cylinder_id = shop.visit(visit_id).cylinder_id
    for n in range(40):
        key = derived_id(uuid.UUID(int=0), str(n))
        shop.do(c.PlaceHold, key=key, cylinder_id=cylinder_id, reason='"\\' * 100)
    run = shop.node.store.unsent(most=500, most_bytes=60_000)
    assert 1 < len(run) < 40
    assert sum(len(WireEnvelope.of(one).model_dump_json().encode()) + 1 for one in run) <= 60_000


def test_nobody_but_its_owner_reads_the_database(shop: Shop) -> None:
    for file in shop.node.store.path.parent.glob("branch.sqlite*"):
        assert file.stat().st_mode & 0o077 == 0, file
