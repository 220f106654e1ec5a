"""A real hub and real shops' nodes: what the hub signed is borne out and cosigned, and a rewritten log is caught by every shop
that had read it, whatever the hub's operator can change, and by two shops that compare."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Iterator
from pathlib import Path

import psycopg
import pytest
from tests.branch.a_shop import Clock, open_shop
from tests.branch.a_shop import Shop as Branch
from tests.branch.a_shop import make_shop as make_branch
from tests.network.shop import Served, Shop, let_shop_in, now, sign_all
from tests.network.test_checkpoints import mend_the_hashes, publish

from branch import witness
from branch.offline import check_file, kept_checkpoints
from branch.settings import read_settings
from branch.witness import Verdict
from branch.witnessing import witness_of
from eventlog.whole_log import Shown
from network.hub import Hub
from network.store import feed_tree
from network.store.pages import feed_head

pytestmark = pytest.mark.wire


@pytest.fixture
def operator(fresh_database: str) -> Iterator[psycopg.Connection[tuple[object, ...]]]:
    """The hub's operator, who has the database's password and the hub's key, and switches the triggers off."""
    with psycopg.connect(fresh_database, autocommit=True, connect_timeout=5) as connection:
        connection.execute("set session_replication_role = replica")
        yield connection


Joins = Callable[[str], Branch]


@pytest.fixture
def joins(served: Served, tmp_path: Path) -> Iterator[Joins]:
    """Lets a shop join the network, with its node wired to the hub's real address."""
    open_nodes: list[Branch] = []

    def join(slug: str) -> Branch:
        made = make_branch(tmp_path, slug=slug, hub=served.hub.key)
        let_shop_in(served.hub, Shop(slug, key=made.node.store.author.key))
        data = made.node.store.path.parent
        made.node.store.close()
        settings = read_settings(data).model_copy(update={"hub_url": served.url})
        (data / "shop.json").write_text(settings.model_dump_json())
        clock = Clock()
        clock.move(now() - clock.now())
        open_nodes.append(open_shop(data, clock))
        return open_nodes[-1]

    yield join
    for shop in open_nodes:
        shop.node.store.close()


def cosigned_by(hub: Hub) -> list[str]:
    with hub.database.transaction() as tx:
        found = feed_tree.witnessed(tx, feed_head(tx).epoch)
    assert found is not None
    return [one.node for one in found.cosignatures]


def trouble(shop: Branch) -> str | None:
    with shop.node.store.reading() as c:
        return witness.trouble(c)


async def in_step(shop: Branch) -> None:
    await shop.node.sync.push_all()
    await shop.node.sync.pull_all()


def talk(
    *shops: Branch, then: Callable[[Branch], Coroutine[object, object, Verdict | None]]
) -> list[Verdict | None]:
    """Do something with each shop in one event loop, and hang up."""

    async def all_of_it() -> list[Verdict | None]:
        try:
            return [await then(shop) for shop in shops]
        finally:
            for shop in shops:
                await shop.node.http.aclose()

    return asyncio.run(all_of_it())


def rewrite(operator: psycopg.Connection[tuple[object, ...]], one: int) -> None:
    """Two neighbouring facts change places, and every hash after them is mended."""
    operator.execute("update feed set position = position + 1000 where position in (%s, %s)", (one, one + 1))
    operator.execute("update feed set position = %s - position where position > 1000", (2 * one + 1001,))
    mend_the_hashes(operator)
    # The tree and what was signed are thrown away as well: the hub signs anew, with its own key.
    for table in ("cosignature", "checkpoint", "feed_subtree"):
        operator.execute(f"delete from {table}".encode())


def test_what_the_hub_signed_is_borne_out_and_cosigned_by_every_shop(
    served: Served, reef: Shop, joins: Joins
) -> None:
    pier, quay = joins("pier"), joins("quay")
    publish(served.hub, reef, 20)

    async def look(shop: Branch) -> Verdict | None:
        await in_step(shop)
        if shop is pier:
            await in_step(quay)
            await in_step(pier)
            sign_all(served.hub, minutes=2)
        return await witness_of(shop.node).look()

    assert talk(pier, quay, then=look) == ["agrees", "agrees"]
    assert cosigned_by(served.hub) == ["pier", "quay"]
    assert (trouble(pier), trouble(quay)) == (None, None)


def test_a_hub_that_rewrites_what_a_shop_had_read_is_caught_though_it_has_its_own_key_and_mended_every_hash(
    served: Served, reef: Shop, joins: Joins, operator: psycopg.Connection[tuple[object, ...]]
) -> None:
    pier = joins("pier")
    publish(served.hub, reef, 20)

    async def look(shop: Branch) -> Verdict | None:
        await in_step(shop)
        sign_all(served.hub, minutes=2)
        assert await witness_of(shop.node).look() == "agrees"
        rewrite(operator, 8)
        sign_all(served.hub, minutes=4)
        return await witness_of(shop.node).look()

    assert talk(pier, then=look) == ["rewritten"]
    assert "The hub's log was rewritten" in str(trouble(pier))
    assert cosigned_by(served.hub) == []


def test_a_shop_that_is_behind_catches_a_hub_that_does_not_go_on_from_what_it_sent(
    served: Served, reef: Shop, joins: Joins, operator: psycopg.Connection[tuple[object, ...]]
) -> None:
    pier = joins("pier")
    publish(served.hub, reef, 20)

    async def look(shop: Branch) -> Verdict | None:
        await in_step(shop)
        sign_all(served.hub, minutes=2)
        assert await witness_of(shop.node).look() == "agrees"
        rewrite(operator, 8)
        publish(served.hub, reef, 5)
        sign_all(served.hub, minutes=4)
        return await witness_of(shop.node).look()

    assert talk(pier, then=look) == ["rewritten"]
    with pier.node.store.reading() as c:
        (evidence,) = witness.evidence(c)
    assert (evidence.kind, evidence.against is not None) == ("not continued", True)


def test_two_shops_that_were_shown_two_logs_find_it_by_comparing_their_checkpoints(
    served: Served, reef: Shop, joins: Joins, operator: psycopg.Connection[tuple[object, ...]], tmp_path: Path
) -> None:
    pier, quay = joins("pier"), joins("quay")
    publish(served.hub, reef, 20)

    async def read(shop: Branch) -> Verdict | None:
        await in_step(shop)
        return None

    talk(pier, then=read)
    # Pier has read one log and keeps the hub's word on it; quay is shown another one from its first record on.
    signed = sign_all(served.hub, minutes=2).document
    with pier.node.store.writing() as tx:
        assert witness.take(tx.c, signed, hub_key=served.hub.key.public_key(), now=now()) == "agrees"
    rewrite(operator, 8)
    other = sign_all(served.hub, minutes=4).document
    with quay.node.store.writing() as tx:
        witness.take(tx.c, other, hub_key=served.hub.key.public_key(), now=now())
    theirs = kept_checkpoints(quay.node.store.path, most=10)
    report = check_file(pier.node.store.path, others=[Shown(one, "quay") for one in theirs])
    assert any("the hub said two things (quay)" in problem for problem in report.problems)
