"""Checkpoints over the real log: when they are signed, over what, what is proved between them, and who cosigns."""

from __future__ import annotations

import asyncio
import datetime as dt
from collections.abc import Coroutine, Iterator
from pathlib import Path

import psycopg
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.network.shop import Served, Shop, let_shop_in, now, sign_all

from eventlog import checkpoint_client as hub_says
from eventlog.chain import links
from eventlog.checkpoint import Cosigning, check_cosignature, cosign, read_checkpoint
from eventlog.feed import next_feed_hash
from eventlog.hub_client import HubRefused
from eventlog.keys import key_id, public_text
from eventlog.tree import Edge, grow, is_consistent, is_included
from filltrail.verify import verify_path
from network.checkpoints import (
    MOST_FACTS_A_CHECKPOINT,
    SIGN_EVERY,
    NotInTheTree,
    Signed,
    keep_signing,
    prove_consistency,
    prove_inclusion,
    sign_next,
)
from network.doorbell import Doorbell
from network.export import CannotExport, export_log
from network.hub import Hub
from network.projections.runner import catch_up
from network.store import feed_tree
from network.store.database import Tx
from network.store.feed_tree import LOWEST_KEPT_LEVEL, TreeIsBroken
from network.store.log import PostgresHubLog
from network.verify import check_log
from sync.at_hub import append

pytestmark = pytest.mark.wire
AT = dt.datetime(2026, 6, 14, 9, 41, tzinfo=dt.UTC)

all_hashes = "select envelope_hash from feed order by position"


def publish(hub: Hub, shop: Shop, facts: int) -> None:
    """Record so many facts and append them."""
    before = len(shop.log)
    for _ in range(facts):
        shop.record()
    run = shop.log[before:] if before > 1 else shop.log
    with hub.database.transaction() as tx:
        append(PostgresHubLog(tx, hub.recorder), links(run), now=now())


def sign(hub: Hub, at: dt.datetime = AT) -> Signed | None:
    with hub.database.transaction() as tx:
        return sign_next(tx, hub.key, now=at)


def signed(hub: Hub, at: dt.datetime = AT) -> Signed:
    found = sign(hub, at)
    assert found is not None
    return found


def leaves(hub: Hub) -> list[bytes]:
    with hub.database.transaction() as tx:
        return [bytes(row["envelope_hash"]) for row in tx.execute(all_hashes)]


@pytest.fixture
def past_the_triggers(fresh_database: str) -> Iterator[psycopg.Connection[tuple[object, ...]]]:
    """Somebody with the database's own password, who switches the triggers off."""
    with psycopg.connect(fresh_database, autocommit=True, connect_timeout=5) as connection:
        connection.execute("set session_replication_role = replica")
        yield connection


def test_a_checkpoint_is_over_the_envelopes_in_the_order_of_the_feed(hub: Hub, reef: Shop) -> None:
    publish(hub, reef, 9)
    found = signed(hub)
    hashes = leaves(hub)
    edge, _ = grow(Edge(), hashes)
    feed_hash = "0" * 64
    for one in hashes:
        feed_hash = next_feed_hash(feed_hash, one.hex())
    said = read_checkpoint(found.document, hub.key.public_key())
    assert (said.position, said.root, said.feed_hash) == (len(hashes), edge.root.hex(), feed_hash)
    assert (said.epoch, said.hub_time, said.key_id) == (
        hub.head().epoch, AT, key_id(hub.key.public_key()),
    )  # fmt: skip


def test_it_is_signed_again_after_a_minute_if_the_feed_moved_and_not_before(hub: Hub, reef: Shop) -> None:
    publish(hub, reef, 1)
    first = signed(hub)
    assert sign(hub, AT + 2 * SIGN_EVERY) is None, "nothing has moved"
    publish(hub, reef, 1)
    assert sign(hub, AT + SIGN_EVERY / 2) is None
    second = signed(hub, AT + SIGN_EVERY)
    assert second.checkpoint.position == first.checkpoint.position + 1


def test_a_clock_that_went_back_does_not_keep_the_hub_from_signing(hub: Hub, reef: Shop) -> None:
    publish(hub, reef, 1)
    signed(hub)
    publish(hub, reef, 1)
    assert sign(hub, AT - dt.timedelta(days=1)) is not None


def test_a_thousand_facts_do_not_wait_for_the_minute_and_no_checkpoint_covers_more(
    hub: Hub, reef: Shop
) -> None:
    publish(hub, reef, 1)
    before = signed(hub).checkpoint.position
    publish(hub, reef, MOST_FACTS_A_CHECKPOINT + 5)
    assert signed(hub).checkpoint.position == before + MOST_FACTS_A_CHECKPOINT
    assert sign(hub) is None, "the five that are left wait for the minute"


def test_roots_go_on_from_kept_subtrees_as_if_the_whole_feed_were_read(hub: Hub, reef: Shop) -> None:
    at = AT
    for facts in (1, 14, 16, 3, 40):
        publish(hub, reef, facts)
        at += SIGN_EVERY
        found = signed(hub, at).checkpoint
        edge, _ = grow(Edge(), leaves(hub))
        assert (found.position, found.root) == (edge.size, edge.root.hex())
    with hub.database.transaction() as tx:
        kept = tx.execute("select count(*) as n, min(level) as lowest from feed_subtree").fetchone()
    assert kept is not None
    assert kept["lowest"] == LOWEST_KEPT_LEVEL
    assert kept["n"] < len(leaves(hub)) / 8 + 1, "proofs stay cheap to keep"


def test_every_proof_between_checkpoints_and_of_every_fact_holds(hub: Hub, reef: Shop) -> None:
    publish(hub, reef, 37)
    size = signed(hub).checkpoint.position
    hashes = leaves(hub)
    with hub.database.transaction() as tx:
        for first in range(1, size + 1):
            said = prove_consistency(tx, first, size)
            assert said.second_root == signed_root(tx, size)
            proof = [bytes.fromhex(one) for one in said.proof]
            roots = grow(Edge(), hashes[:first])[0].root, grow(Edge(), hashes)[0].root
            assert is_consistent(first, size, *roots, proof)
            leaf = prove_inclusion(tx, first, size)
            proof = [bytes.fromhex(one) for one in leaf.proof]
            assert is_included(hashes[first - 1], first - 1, size, proof, roots[1])


def signed_root(tx: Tx, position: int) -> str:
    row = tx.execute("select root from checkpoint where position = %s", (position,)).fetchone()
    assert row is not None
    return bytes(row["root"]).hex()


def test_nothing_is_proved_beyond_the_last_checkpoint(hub: Hub, reef: Shop) -> None:
    publish(hub, reef, 3)
    size = signed(hub).checkpoint.position
    publish(hub, reef, 3)
    with hub.database.transaction() as tx:
        with pytest.raises(NotInTheTree, match=f"last checkpoint is at {size}"):
            prove_consistency(tx, 1, size + 1)
        with pytest.raises(NotInTheTree):
            prove_inclusion(tx, size + 1, size)
        with pytest.raises(NotInTheTree):
            prove_consistency(tx, size, 1)


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        ("update stored_events set state = state || ' '::bytea where originator_version = 3", "on the disk"),
        ("update feed set envelope_hash = sha256('x') where position = 5", "on the disk"),
        ("update feed set feed_hash = sha256('x') where position = 5", "cumulative hash"),
        ("delete from feed where position = 5", "position 6 where 5 was due"),
        ("delete from stored_events where originator_version = 3", "on the disk"),
        ("delete from feed where position > 5", "the feed ends at 5"),
    ],
)
def test_nothing_is_signed_over_a_leaf_that_does_not_hash_to_what_was_taken(
    hub: Hub,
    reef: Shop,
    past_the_triggers: psycopg.Connection[tuple[object, ...]],
    damage: str,
    said: str,
) -> None:
    publish(hub, reef, 6)
    past_the_triggers.execute(damage.encode())
    with pytest.raises(TreeIsBroken, match=said):
        sign(hub)
    with hub.database.transaction() as tx:
        assert tx.execute("select 1 from checkpoint").fetchone() is None


def test_nothing_is_signed_past_a_tree_that_is_not_the_one_that_was_signed(
    hub: Hub, reef: Shop, past_the_triggers: psycopg.Connection[tuple[object, ...]]
) -> None:
    publish(hub, reef, 40)
    signed(hub)
    publish(hub, reef, 1)
    past_the_triggers.execute("update feed_subtree set hash = sha256('x') where level = 5")
    with pytest.raises(TreeIsBroken, match="not the one that was signed"):
        sign(hub, AT + SIGN_EVERY)


def test_the_check_of_the_log_finds_a_feed_that_was_rewritten_in_every_index(
    hub: Hub, reef: Shop, past_the_triggers: psycopg.Connection[tuple[object, ...]]
) -> None:
    publish(hub, reef, 6)
    signed(hub)
    publish(hub, reef, 2)
    assert check_log(hub.database, hub_key=hub.key.public_key()).problems == []
    # Whoever swaps two facts and mends every hash after them still has not the key of the checkpoint.
    past_the_triggers.execute("update feed set position = position + 1000 where position in (5, 6)")
    past_the_triggers.execute("update feed set position = 1011 - position where position > 1000")
    mend_the_hashes(past_the_triggers)
    problems = check_log(hub.database, hub_key=hub.key.public_key()).problems
    assert any("not what was signed" in one for one in problems), problems
    assert not any("a hash differs" in one for one in problems), "it was mended well"


def mend_the_hashes(connection: psycopg.Connection[tuple[object, ...]]) -> None:
    feed_hash = "0" * 64
    for position, envelope_hash in connection.execute(
        "select position, envelope_hash from feed order by position"
    ).fetchall():
        assert isinstance(envelope_hash, bytes)
        feed_hash = next_feed_hash(feed_hash, envelope_hash.hex())
        connection.execute(
            "update feed set feed_hash = %s where position = %s", (bytes.fromhex(feed_hash), position)
        )
    connection.execute("update feed_head set feed_hash = %s", (bytes.fromhex(feed_hash),))


@pytest.mark.parametrize("table", ["feed_subtree", "checkpoint", "cosignature"])
def test_nobody_edits_what_was_signed(hub: Hub, reef: Shop, table: str) -> None:
    publish(hub, reef, 40)
    signed(hub)
    with (
        pytest.raises(psycopg.errors.InsufficientPrivilege, match="append-only"),
        hub.database.transaction() as tx,
    ):
        tx.execute(f"delete from {table}".encode())


def test_a_node_reads_proves_and_cosigns_over_the_wire(served: Served, reef: Shop) -> None:
    hub = served.hub
    publish(hub, reef, 20)
    sign_all(hub, minutes=1)
    client = served.client(reef)

    async def talk() -> None:
        found = await hub_says.latest(client)
        assert found is not None
        first = found.checkpoint
        said = read_checkpoint(first, hub.key.public_key())
        proof = await hub_says.consistency(client, 4, said.position)
        roots = (grow(Edge(), leaves(hub)[:4])[0].root, bytes.fromhex(said.root))
        assert is_consistent(4, said.position, *roots, [bytes.fromhex(one) for one in proof.proof])
        leaf = await hub_says.inclusion(client, 7, said.position)
        assert leaf.envelope_hash == leaves(hub)[6].hex()
        word = cosign(first, reef.slug, reef.key)
        for _ in range(2):  # the second time says nothing new
            kept = await hub_says.cosign(client, first, word)
            assert kept.cosignatures == 1
        witnessed = await hub_says.latest(client, cosigned=1)
        assert witnessed is not None
        assert witnessed.checkpoint == first
        check_cosignature(first, witnessed.cosignatures[0], reef.key.public_key())
        assert await hub_says.latest(client, cosigned=2) is None

    asyncio.run(then_hang_up(served, talk()))


async def then_hang_up(served: Served, talk: Coroutine[object, object, None]) -> None:
    try:
        await talk
    finally:
        await served.http.aclose()


def test_a_cosignature_by_another_key_or_of_another_checkpoint_is_refused(served: Served, reef: Shop) -> None:
    hub, quay = served.hub, Shop("quay")
    let_shop_in(hub, quay)
    publish(hub, reef, 2)
    found = sign_all(hub, minutes=1).document
    client = served.client(reef)

    async def refused(word: Cosigning) -> int:
        with pytest.raises(HubRefused) as wrong:
            await client.ask("POST", "/v1/nodes/reef-road/cosignatures", body=word.model_dump_json().encode())
        return wrong.value.status

    good = cosign(found, reef.slug, reef.key)
    said = read_checkpoint(found, hub.key.public_key())
    word = Cosigning(
        epoch=said.epoch,
        position=said.position,
        root=said.root,
        key_id=good.key_id,
        signature=good.signature,
    )
    forged = cosign(found, reef.slug, Ed25519PrivateKey.generate())

    async def talk() -> None:
        assert await refused(word.model_copy(update={"signature": forged.signature})) == 422
        assert await refused(word.model_copy(update={"root": "a" * 64})) == 404
        assert await refused(word.model_copy(update={"position": said.position + 1})) == 404
        with pytest.raises(HubRefused) as wrong:
            await hub_says.cosign(served.client(quay), found, good)
        assert wrong.value.status == 403

    asyncio.run(then_hang_up(served, talk()))


def test_an_exported_log_is_whole_without_the_hub_and_damage_to_it_is_named(
    hub: Hub, reef: Shop, tmp_path: Path
) -> None:
    publish(hub, reef, 12)
    signed(hub)
    publish(hub, reef, 4)
    catch_up(hub.database, hub.measures, is_stopped=lambda: False)
    public = hub.key.public_key()
    lines = list(export_log(hub.database, hub_key=public))
    file = tmp_path / "log.jsonl"
    file.write_text("\n".join(lines))
    whole = verify_path(file, hub_keys=[public_text(public)])
    of_hub = check_log(hub.database, hub_key=public)
    assert (whole.problems, whole.notes) == ((), ())
    assert (whole.epoch, whole.position, whole.feed_hash, whole.standing_digest) == (
        of_hub.epoch, of_hub.position, of_hub.feed_hash, of_hub.standing_digest,
    )  # fmt: skip
    file.write_text("\n".join([*lines[:9], *lines[10:]]))
    assert verify_path(file, hub_keys=[public_text(public)]).problems[0] == "position 9: missing"


def test_a_log_that_lacks_an_envelope_is_not_exported_as_if_it_were_whole(
    hub: Hub, reef: Shop, past_the_triggers: psycopg.Connection[tuple[object, ...]]
) -> None:
    publish(hub, reef, 6)
    past_the_triggers.execute("delete from stored_events where originator_version = 3")
    with pytest.raises(CannotExport, match="has no envelope"):
        list(export_log(hub.database, hub_key=hub.key.public_key()))


def test_a_new_epoch_begins_a_new_tree_and_the_old_words_stay(hub: Hub, reef: Shop) -> None:
    publish(hub, reef, 20)
    before = signed(hub).checkpoint
    with hub.database.transaction() as tx:
        PostgresHubLog(tx, hub.recorder).set_epoch("another", now=now())
    after = signed(hub).checkpoint
    assert (after.epoch, after.position, after.root) == ("another", before.position, before.root)
    publish(hub, reef, 20)
    assert signed(hub, AT + SIGN_EVERY).checkpoint.position == before.position + 20
    with hub.database.transaction() as tx:
        assert len(list(feed_tree.every(tx, before.epoch))) == 1
        assert len(list(feed_tree.every(tx, "another"))) == 2


def signs_within(hub: Hub, wait_s: float, *, trouble: str | None = None) -> int:
    """How many checkpoints there are after the loop has run for a while."""

    async def run() -> None:
        bell = Doorbell(database_url=hub.settings.database_url, redis_url=None, look=hub.head)
        listening = asyncio.create_task(bell.run())
        signing = asyncio.create_task(keep_signing(hub.database, bell, hub.key, now, trouble=lambda: trouble))
        await asyncio.wait({signing}, timeout=wait_s)
        bell.stop()
        listening.cancel()
        await asyncio.wait({listening, signing})
        signing.result()

    asyncio.run(run())
    with hub.database.transaction() as tx:
        return len(list(feed_tree.every(tx, hub.head().epoch)))


def test_a_hub_in_trouble_signs_nothing_and_one_that_begins_again_waits_before_it_signs(
    hub: Hub, reef: Shop
) -> None:
    publish(hub, reef, 3)
    assert signs_within(hub, 1.0, trouble="its database is an older one") == 0
    assert signs_within(hub, 1.0) == 1
    publish(hub, reef, MOST_FACTS_A_CHECKPOINT)
    assert signs_within(hub, 1.0) == 1, "shops have a minute to show it that it was restored"


def test_the_signing_ends_by_a_fault_that_the_hub_shows_when_the_log_is_damaged(
    hub: Hub, reef: Shop, past_the_triggers: psycopg.Connection[tuple[object, ...]]
) -> None:
    publish(hub, reef, 6)
    past_the_triggers.execute("delete from feed where position = 5")
    with pytest.raises(TreeIsBroken):
        signs_within(hub, 5.0)
