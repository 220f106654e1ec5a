"""A shop as the hub's witness: what agrees is cosigned, what does not is kept as evidence and shown for ever."""

from __future__ import annotations

import asyncio
import base64
import datetime as dt
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.branch.a_shop import Shop, make_shop

from branch import witness
from branch.store.rows import node_row
from branch.witness import Verdict
from branch.witnessing import Witnessing
from eventlog import Effect, Event, Place, Sealed, Seen, seal
from eventlog.checkpoint import (
    Checkpoint,
    ConsistencyProof,
    Cosigned,
    Cosigning,
    SignedCheckpoint,
    WitnessedCheckpoint,
    hex_all,
    parse_checkpoint,
    sign_checkpoint,
)
from eventlog.envelope import Forged
from eventlog.event import NO_HASH
from eventlog.feed import next_feed_hash
from eventlog.hub_client import HubRefused
from eventlog.keys import key_id
from eventlog.tree import Edge, consistency_proof, grow, root_at
from eventlog.wire import FeedItem, FeedPage


@dataclass
class Hub:
    """A hub that says what the test wants, over the facts of its own log."""

    key: Ed25519PrivateKey = field(default_factory=Ed25519PrivateKey.generate)
    epoch: str = "e1"
    log: list[Sealed] = field(default_factory=list)
    inc: uuid.UUID = field(default_factory=uuid.uuid4)
    shows: SignedCheckpoint | None = None
    words: list[Cosigning] = field(default_factory=list)

    def records(self, facts: int, at: dt.datetime) -> None:
        for _ in range(facts):
            event = Event(
                id=uuid.uuid4(), kind="node.noted", v=1, effect=Effect.NEUTRAL, subject="node/hub", body={},
                performed_on=at.date(), at=at, seen=Seen(), actor="hub", role="hub", software="test",
            )  # fmt: skip
            prev = self.log[-1].hash if self.log else NO_HASH
            place = Place("hub", key_id(self.key.public_key()), self.inc, len(self.log) + 1, prev)
            self.log.append(seal(event, place, recorded_at=at, key=self.key))

    def feed_hash(self, size: int) -> str:
        found = NO_HASH
        for one in self.log[:size]:
            found = next_feed_hash(found, one.hash)
        return found

    def leaves(self, size: int) -> list[bytes]:
        return [bytes.fromhex(one.hash) for one in self.log[:size]]

    def checkpoint(self, size: int, at: dt.datetime) -> SignedCheckpoint:
        said = Checkpoint(
            epoch=self.epoch,
            position=size,
            root=grow(Edge(), self.leaves(size))[0].root.hex(),
            feed_hash=self.feed_hash(size),
            hub_time=at,
            key_id=key_id(self.key.public_key()),
        )
        return sign_checkpoint(said, self.key)

    def proves(self, first: int, second: int) -> ConsistencyProof:
        held = {(one.level, one.index): one.hash for one in grow(Edge(), self.leaves(second))[1]}

        def look_up(level: int, index: int) -> bytes:
            return held[level, index]

        return ConsistencyProof(
            epoch=self.epoch,
            first=first,
            second=second,
            first_root=root_at(look_up, first).hex(),
            second_root=root_at(look_up, second).hex(),
            proof=hex_all(consistency_proof(look_up, first, second)),
        )

    def branches_off(self, at_size: int, facts: int, at: dt.datetime) -> Hub:
        """The same hub with another history after a position."""
        other = Hub(self.key, self.epoch, self.log[:at_size])
        other.records(facts, at)
        return other

    async def ask(
        self, method: str, path: str, *, body: bytes | None = None, params: Mapping[str, str] | None = None
    ) -> bytes:
        match method, path:
            case "GET", "/v1/checkpoints/latest":
                if self.shows is None:
                    raise HubRefused(404, "none yet", "")
                return WitnessedCheckpoint(checkpoint=self.shows).model_dump_json().encode()
            case "GET", "/v1/checkpoints/consistency":
                assert params is not None
                return self.proves(int(params["from"]), int(params["to"])).model_dump_json().encode()
            case "POST", "/v1/nodes/pier/cosignatures":
                assert body is not None
                self.words.append(Cosigning.model_validate_json(body))
                return (
                    Cosigned(position=self.words[-1].position, cosignatures=len(self.words))
                    .model_dump_json()
                    .encode()
                )
            case _:
                raise AssertionError(f"nobody asks for {method} {path}")


def read_to(shop: Shop, hub: Hub, size: int) -> None:
    """The shop reads the hub's feed up to a position."""
    with shop.node.store.writing() as tx:
        node = node_row(tx.c)
        assert node is not None
        items = tuple(
            FeedItem(
                position=n,
                received_at=shop.clock.now(),
                raw=one.raw.decode(),
                signature=base64.b64encode(one.signature).decode(),
            )
            for n, one in enumerate(hub.log[node.feed.position : size], start=node.feed.position + 1)
        )
        page = FeedPage(
            epoch=hub.epoch,
            after=node.feed.position,
            head=size,
            items=items,
            feed_hash=hub.feed_hash(size),
            hub_time=shop.clock.now(),
        )
        tx.absorb(page, heard_at=shop.clock.now())


def takes(shop: Shop, hub: Hub, signed: SignedCheckpoint) -> Verdict:
    with shop.node.store.writing() as tx:
        return witness.take(tx.c, signed, hub_key=hub.key.public_key(), now=shop.clock.now())


def trouble(shop: Shop) -> str | None:
    with shop.node.store.reading() as c:
        return witness.trouble(c)


def found(shop: Shop) -> tuple[witness.Evidence, ...]:
    with shop.node.store.reading() as c:
        return witness.evidence(c)


def witnessing(shop: Shop, hub: Hub) -> Witnessing:
    return Witnessing(shop.node.store, hub, hub.key.public_key(), shop.clock.now, lambda: 0.5)


def looks(shop: Shop, hub: Hub) -> Verdict | None:
    return asyncio.run(witnessing(shop, hub).look())


@pytest.fixture
def hub() -> Hub:
    return Hub()


@pytest.fixture
def pier(tmp_path: Path, hub: Hub) -> Iterator[Shop]:
    shop = make_shop(tmp_path, hub=hub.key)
    hub.records(30, shop.clock.now())
    yield shop
    shop.node.store.close()


def test_a_checkpoint_that_the_own_copy_bears_out_agrees(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 20)
    for size in (3, 4, 17, 20):
        assert takes(pier, hub, hub.checkpoint(size, pier.clock.now())) == "agrees"
    assert trouble(pier) is None


def test_the_edge_goes_on_from_the_last_checkpoint_and_is_rebuilt_when_it_is_lost(
    pier: Shop, hub: Hub
) -> None:
    read_to(pier, hub, 25)
    assert takes(pier, hub, hub.checkpoint(20, pier.clock.now())) == "agrees"
    with pier.node.store.writing() as tx:
        tx.c.execute("select size from witness_edge")
        row = tx.c.fetchone()
        assert row is not None
        assert row[0] == 20
        tx.c.execute("delete from witness_edge")
    assert takes(pier, hub, hub.checkpoint(25, pier.clock.now())) == "agrees"


def test_a_checkpoint_ahead_of_the_own_copy_waits(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 10)
    ahead = hub.checkpoint(20, pier.clock.now())
    assert takes(pier, hub, ahead) == "waits"
    read_to(pier, hub, 20)
    assert takes(pier, hub, ahead) == "agrees"


def test_what_the_hub_did_not_sign_is_not_even_kept(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 10)
    stranger = Hub(epoch=hub.epoch, log=hub.log)
    with pytest.raises(Forged):
        takes(pier, hub, stranger.checkpoint(10, pier.clock.now()))
    with pier.node.store.reading() as c:
        assert witness.kept_checkpoints(c, "e1") == ()


def test_a_hub_that_rewrote_what_it_had_sent_is_caught_with_both_words_kept(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 20)
    before = hub.checkpoint(10, pier.clock.now())
    assert takes(pier, hub, before) == "agrees"
    after = hub.branches_off(14, 10, pier.clock.now()).checkpoint(20, pier.clock.now())
    assert takes(pier, hub, after) == "rewritten"
    (evidence,) = found(pier)
    assert (evidence.kind, evidence.position) == ("another log", 20)
    assert (evidence.signed, evidence.against) == (after, before)
    assert evidence.own_root == parse_checkpoint(hub.checkpoint(20, pier.clock.now())).root
    assert trouble(pier) == (
        "The hub's log was rewritten: position 20 has another root than the records that the hub sent until then."
    )


def test_two_checkpoints_of_one_position_are_evidence_even_for_a_shop_that_has_read_nothing(
    pier: Shop, hub: Hub
) -> None:
    one = hub.checkpoint(20, pier.clock.now())
    other = hub.branches_off(14, 6, pier.clock.now()).checkpoint(20, pier.clock.now())
    assert takes(pier, hub, one) == "waits"
    assert takes(pier, hub, other) == "rewritten"
    (evidence,) = found(pier)
    assert (evidence.kind, evidence.signed, evidence.against) == ("two roots", other, one)


def test_a_smaller_checkpoint_with_another_root_is_evidence_and_an_old_one_that_agrees_is_not(
    pier: Shop, hub: Hub
) -> None:
    read_to(pier, hub, 20)
    assert takes(pier, hub, hub.checkpoint(20, pier.clock.now())) == "agrees"
    assert takes(pier, hub, hub.checkpoint(12, pier.clock.now())) == "agrees"
    rolled_back = hub.branches_off(12, 3, pier.clock.now()).checkpoint(15, pier.clock.now())
    assert takes(pier, hub, rolled_back) == "rewritten"


def test_trouble_is_never_cleared_by_a_good_checkpoint_and_is_noted_once(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 20)
    forked = hub.branches_off(14, 6, pier.clock.now()).checkpoint(20, pier.clock.now())
    for _ in range(3):
        assert takes(pier, hub, forked) == "rewritten"
    pier.clock.move(dt.timedelta(days=200))
    assert takes(pier, hub, hub.checkpoint(18, pier.clock.now())) == "agrees"
    assert len(found(pier)) == 1
    assert trouble(pier) is not None


def test_a_damaged_own_copy_accuses_nobody(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 20)
    with pier.node.store.writing() as tx:
        tx.c.execute("update fact set envelope_hash = ? where position = 7", ("a" * 64,))
    assert takes(pier, hub, hub.checkpoint(18, pier.clock.now())) == "own copy"
    said = trouble(pier)
    assert said is not None
    assert said.startswith("This node's copy")
    assert not found(pier)[0].is_of_hub


def test_a_position_that_is_missing_here_is_named(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 20)
    with pier.node.store.writing() as tx:
        tx.c.execute("delete from fact where position = 7")
    assert takes(pier, hub, hub.checkpoint(18, pier.clock.now())) == "own copy"
    assert "position 7" in str(trouble(pier))


def test_a_new_epoch_begins_a_new_tree_and_accuses_nobody(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 20)
    assert takes(pier, hub, hub.checkpoint(20, pier.clock.now())) == "agrees"
    restored = hub.branches_off(15, 10, pier.clock.now())
    restored.epoch = "e2"
    new = restored.checkpoint(25, pier.clock.now())
    assert takes(pier, hub, new) == "another epoch"
    with pier.node.store.writing() as tx:  # what following the new epoch does
        tx.c.execute("update fact set position = null where position > 15")
        tx.c.execute("update node set epoch = 'e2', position = 15, feed_hash = ?", (restored.feed_hash(15),))
    read_to(pier, restored, 25)
    assert takes(pier, hub, new) == "agrees"
    assert trouble(pier) is None


def test_checkpoints_are_kept_for_ninety_days_and_the_last_of_an_epoch_for_ever(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 20)
    takes(pier, hub, hub.checkpoint(5, pier.clock.now()))
    pier.clock.move(dt.timedelta(days=89))
    takes(pier, hub, hub.checkpoint(10, pier.clock.now()))

    def kept() -> list[int]:
        with pier.node.store.reading() as c:
            return [parse_checkpoint(one).position for one in witness.kept_checkpoints(c, "e1")]

    assert kept() == [5, 10]
    pier.clock.move(dt.timedelta(days=2))
    takes(pier, hub, hub.checkpoint(11, pier.clock.now()))
    assert kept() == [10, 11]


def test_a_look_cosigns_what_agrees_once(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 20)
    assert looks(pier, hub) is None
    hub.shows = hub.checkpoint(20, pier.clock.now())
    assert looks(pier, hub) == "agrees"
    assert looks(pier, hub) == "agrees"
    assert [word.position for word in hub.words] == [20]
    word = hub.words[0]
    public = pier.node.store.author.key.public_key()
    public.verify(
        base64.b64decode(word.signature), b"filltrail/cosignature/1" + hub.shows.raw.encode()
    )  # raises when it is not


def test_nothing_is_cosigned_after_the_hub_was_caught(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 20)
    hub.shows = hub.branches_off(14, 6, pier.clock.now()).checkpoint(20, pier.clock.now())
    assert looks(pier, hub) == "rewritten"
    hub.shows = hub.checkpoint(20, pier.clock.now())
    looks(pier, hub)
    assert hub.words == []


def test_a_shop_that_is_behind_asks_for_a_proof_and_believes_a_good_one(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 11)
    hub.shows = hub.checkpoint(29, pier.clock.now())
    assert looks(pier, hub) == "waits"
    assert (trouble(pier), hub.words) == (None, [])


def test_a_hub_that_cannot_show_that_it_goes_on_from_what_it_sent_is_caught(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 11)
    hub.shows = hub.checkpoint(11, pier.clock.now())
    assert looks(pier, hub) == "agrees"
    other = hub.branches_off(8, 20, pier.clock.now())
    other.shows = other.checkpoint(28, pier.clock.now())
    assert looks(pier, other) == "rewritten"
    (evidence,) = found(pier)
    assert (evidence.kind, evidence.against) == ("not continued", hub.shows)


def test_a_shop_that_is_behind_and_whose_own_copy_is_damaged_accuses_nobody(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 11)
    with pier.node.store.writing() as tx:
        tx.c.execute("update fact set envelope_hash = ? where position = 7", ("a" * 64,))
    hub.shows = hub.checkpoint(29, pier.clock.now())
    assert looks(pier, hub) == "own copy"
    assert not any(one.is_of_hub for one in found(pier))


def test_only_a_persons_answer_takes_the_warning_away_and_the_evidence_stays(pier: Shop, hub: Hub) -> None:
    read_to(pier, hub, 20)
    takes(pier, hub, hub.branches_off(14, 6, pier.clock.now()).checkpoint(20, pier.clock.now()))
    (before,) = found(pier)
    with pier.node.store.writing() as tx:
        assert not witness.put_answer(tx.c, before.id + 1, by="R. Amat", words="?", now=pier.clock.now())
        assert witness.put_answer(
            tx.c, before.id, by="R. Amat", words="Restored in March", now=pier.clock.now()
        )
        assert not witness.put_answer(tx.c, before.id, by="S. Ilves", words="No", now=pier.clock.now())
    assert trouble(pier) is None
    (after,) = found(pier)
    assert (after.answer, after.answered_by, after.signed) == ("Restored in March", "R. Amat", before.signed)
    takes(pier, hub, hub.branches_off(13, 6, pier.clock.now()).checkpoint(19, pier.clock.now()))
    assert trouble(pier) is not None
