"""Among twenty thousand serials on record at a shop, none that was misread in one of the usual ways is missed."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest
from tests.benchmarks.invented_serials import Misread, invented, misreadings
from tests.branch.a_shop import Shop, make_shop

from branch.store.claims import near_claims, note_claim

ON_RECORD, EVERY = 20_000, 40


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    made = make_shop(Path(tmp_path_factory.mktemp("near")))
    with made.node.store.writing() as tx:
        for cylinder_id, serial in invented(ON_RECORD):
            note_claim(tx.c, cylinder_id, serial)
    return made


def test_no_single_mistake_in_reading_is_missed(shop: Shop) -> None:
    chance = Random(8)
    asked: list[Misread] = []
    for n, (cylinder_id, serial) in enumerate(invented(ON_RECORD)):
        if n % EVERY == 0:
            asked += misreadings(cylinder_id, serial, chance)
    assert len({one.kind for one in asked}) == 8
    with shop.node.store.reading() as cursor:
        missed = [
            one
            for one in asked
            if one.cylinder_id not in {near.cylinder_id for near in near_claims(cursor, one.keyed)}
        ]
    assert missed == []


def test_what_is_found_is_ranked_with_the_nearest_first_and_a_reason_each(shop: Shop) -> None:
    cylinder_id, serial = next(invented(ON_RECORD))
    with shop.node.store.reading() as cursor:
        found = near_claims(cursor, serial)
    assert found[0].cylinder_id == cylinder_id
    assert found[0].likeness.why == "the same serial"
    assert [one.likeness.distance for one in found] == sorted(one.likeness.distance for one in found)
    assert all(one.likeness.why for one in found)


def test_a_serial_that_was_noted_twice_lies_there_once(shop: Shop) -> None:
    cylinder_id, serial = next(invented(1))
    with shop.node.store.writing() as tx:
        note_claim(tx.c, cylinder_id, serial)
        tx.c.execute("select count(*) from serial_claim")
        assert [tuple(row) for row in tx.c.fetchall()] == [(ON_RECORD,)]
