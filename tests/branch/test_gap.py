"""After a restore the manager is told what is missing, and says it in their own words, once."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.branch.a_hub import AHub, shop_at
from tests.branch.a_shop import Clock, Shop
from tests.branch.test_restores import backup, beat, here, in_step, restore
from tests.branch.web_floor.conftest import Tablet, a_tablet

from branch.gap import open_gaps
from branch.store.rows import history
from cylinder.facts import GapStated


@pytest.fixture
def hub() -> AHub:
    return AHub(Clock())


@pytest.fixture
def robbed(hub: AHub, tmp_path: Path) -> Shop:
    """A shop whose last three records were never sent, and are gone with the database that held them."""
    shop = shop_at(hub, tmp_path, "pier")
    in_step(shop)
    kept = backup(shop, tmp_path / "kept")
    shop.up_to("identify")
    in_step(shop)
    shop.up_to("outside", visit_id=shop.node.desk.open_visits()[0].id)
    return restore(shop, hub, kept)


def missing(shop: Shop) -> list[int | None]:
    with shop.node.store.reading() as cursor:
        return [gap.missing for gap in open_gaps(cursor, "pier", here(shop).inc)]


def manager(shop: Shop) -> Tablet:
    return a_tablet(shop, role="manager")


def test_the_page_counts_what_did_not_come_back_and_waits_until_the_node_has_read_on(robbed: Shop) -> None:
    tablet = manager(robbed)
    assert "still reading the network" in tablet.get("/gap").text
    assert "state what is missing" in tablet.get("/network").text
    in_step(robbed)
    assert missing(robbed) == [2]
    page = tablet.get("/gap").text
    assert "2 records after it" in page
    assert "paper slips" in page
    robbed.node.store.close()


def test_a_manager_states_it_once_and_it_is_a_fact_that_travels(robbed: Shop, hub: AHub) -> None:
    in_step(robbed)
    tablet = manager(robbed)
    page = tablet.get("/gap")
    words = "Slips 81 and 82: one cylinder put on record, nothing filled"
    assert tablet.send(page, "/gap", words=words, sure="yes").status_code == 303
    assert tablet.send(page, "/gap", words=words, sure="yes").status_code == 303
    assert missing(robbed) == []
    with robbed.node.store.reading() as cursor:
        stated = [one.fact for one in history(cursor, "node/pier", 50) if isinstance(one.fact, GapStated)]
    assert [one.words for one in stated] == [words]
    assert stated[0].parent_inc == here(robbed).parent
    in_step(robbed)
    assert hub.kinds.count("branch.gap_stated") == 1
    robbed.node.store.close()


def test_words_are_needed(robbed: Shop) -> None:
    in_step(robbed)
    tablet = manager(robbed)
    assert tablet.send(tablet.get("/gap"), "/gap", words=" ", sure="yes").status_code == 422
    assert missing(robbed) == [2]
    robbed.node.store.close()


def test_an_operator_may_not_state_it(robbed: Shop) -> None:
    tablet = a_tablet(robbed)
    assert tablet.get("/gap").status_code == 409
    robbed.node.store.close()


def test_without_a_marker_nobody_can_tell_how_many_are_missing(hub: AHub, tmp_path: Path) -> None:
    shop = shop_at(hub, tmp_path, "pier")
    in_step(shop)
    beat(shop)
    kept = backup(shop, tmp_path / "kept")
    beat(shop)
    beat(shop)
    shop.greet()
    restore(shop, hub, kept, with_marker=False)
    beat(shop)
    in_step(shop)
    assert missing(shop) == [None]
    assert "nobody can tell" in manager(shop).get("/gap").text
    shop.node.store.close()


def test_when_everything_came_back_there_is_nothing_to_state(hub: AHub, tmp_path: Path) -> None:
    shop = shop_at(hub, tmp_path, "pier")
    in_step(shop)
    kept = backup(shop, tmp_path / "kept")
    shop.greet()
    in_step(shop)
    restore(shop, hub, kept)
    in_step(shop)
    assert missing(shop) == []
    assert "Nothing is missing" in manager(shop).get("/gap").text
    shop.node.store.close()
