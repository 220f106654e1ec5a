"""A database that older software left is filed and folded anew at the start, once, and nothing of its log is touched."""

from __future__ import annotations

from pathlib import Path
from random import Random
from uuid import UUID

from tests.branch.a_shop import Shop, make_shop, open_shop
from tests.contracts.test_three_folds_agree import chained
from tests.cylinder.histories import drawn

from branch.store import views as look
from branch.store.claims import near_claims
from branch.store.up_to_date import FOLDED_AS


def test_a_database_of_older_software_ends_with_the_standings_that_its_facts_give(tmp_path: Path) -> None:
    shop = make_shop(tmp_path)
    with shop.node.store.writing() as tx:
        for link in chained(drawn(Random(11), most=40)):
            tx.log.keep(link, position=None, is_proven=True)
        tx.log.folded.settle(tx.c)
    expected, log = _digest(shop), _log(shop)
    # As older software knew it: by the header alone, each fact in one place.
    with shop.node.store.writing() as tx:
        tx.c.execute(
            "update fact set actor = '', matters = 0 where kind like 'actor.%' or kind like 'node.%'"
        )
        tx.c.execute("delete from fact_about")
        tx.c.execute("delete from standing where rowid % 2 = 0")
        tx.c.execute("pragma user_version = 0")
    assert _digest(shop) != expected
    shop.node.store.close()
    again = open_shop(tmp_path / "pier", shop.clock)
    assert (_digest(again), _log(again)) == (expected, log)
    with again.node.store.reading() as cursor:
        cursor.execute("pragma user_version")
        assert [tuple(row) for row in cursor.fetchall()] == [(FOLDED_AS,)]
    again.node.store.close()


def test_serials_that_older_software_kept_are_found_by_a_near_one(tmp_path: Path) -> None:
    shop = make_shop(tmp_path)
    cylinder_id = UUID(int=7)
    with shop.node.store.writing() as tx:
        tx.c.execute(
            "create table claim (cylinder_id text not null, bare text not null, skeleton text not null, "
            "primary key (cylinder_id, bare)) strict"
        )
        tx.c.execute("insert into claim values (?, 'A0471', 'A0471')", (str(cylinder_id),))
    shop.node.store.close()
    again = open_shop(tmp_path / "pier", shop.clock)
    with again.node.store.reading() as cursor:
        assert [near.cylinder_id for near in near_claims(cursor, "AO417")] == [cylinder_id]
        cursor.execute("select count(*) from sqlite_master where name = 'claim'")
        assert [tuple(row) for row in cursor.fetchall()] == [(0,)]
    again.node.store.close()


def _digest(shop: Shop) -> str:
    with shop.node.store.reading() as cursor:
        return look.standing_digest(cursor)


def _log(shop: Shop) -> list[tuple[object, ...]]:
    with shop.node.store.reading() as cursor:
        cursor.execute("select event_id, state from fact_state order by event_id")
        return [tuple(row) for row in cursor.fetchall()]
