"""The desk: what was answered is on the disk, the same tap is one record, a refusal writes nothing."""

from __future__ import annotations

import uuid

import pytest
from tests.branch.a_shop import MARKS, Shop, open_shop

from branch.store.rows import node_row, standing_row
from branch.verify import check, rebuild
from cylinder import commands as c
from cylinder.decide import decide
from cylinder.marks import KeyedPressure
from cylinder.refusal import Refused


def _seq(shop: Shop) -> int:
    with shop.node.store.reading() as cursor:
        row = node_row(cursor)
    assert row is not None
    return row.seq


def test_a_known_cylinder_goes_from_counter_to_hand_over(shop: Shop) -> None:
    visit_id = shop.up_to("hand_over")
    shop.answer(visit_id, "hand_over")
    assert shop.visit(visit_id).handover is not None
    assert shop.node.desk.open_visits() == ()
    assert check(shop.node.store).problems == ()


def test_the_same_tap_sent_twice_is_one_record_and_one_answer(shop: Shop) -> None:
    visit_id = shop.up_to("outside")
    key = uuid.uuid4()
    first = shop.do(c.LookOver, key=key, visit_id=visit_id, sound=True)
    before = _seq(shop)
    again = shop.do(c.LookOver, key=key, visit_id=visit_id, sound=True)
    assert (again.records, again.is_repeat) == (first.records, True)
    assert _seq(shop) == before


def test_a_refused_command_writes_nothing(shop: Shop) -> None:
    visit_id = shop.up_to("target")
    before = _seq(shop)
    with pytest.raises(Refused) as refused:
        shop.do(c.Authorise, visit_id=visit_id, target=KeyedPressure(value=3300, unit="psi"))
    assert "fill.limit" in refused.value.reasons[0].rule_id
    assert _seq(shop) == before


def test_a_node_that_is_started_again_stands_where_it_stood(shop: Shop) -> None:
    visit_id = shop.up_to("whip")
    was = shop.visit(visit_id)
    data = shop.node.store.path.parent
    shop.node.store.close()
    again = open_shop(data, shop.clock)
    assert again.visit(visit_id) == was
    assert again.node.desk.open_visits() == (was,)
    again.node.store.close()


def test_a_cylinder_condemned_at_the_bench_is_refused_at_the_counter_with_who_and_why(shop: Shop) -> None:
    visit_id = shop.up_to("people_out")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    shop.condemn(cylinder_id)
    with pytest.raises(Refused) as refused:
        shop.do(c.BlowOut, visit_id=visit_id, is_blown_out=True, o_ring="good")
    assert any("Crack across two threads" in reason.words for reason in refused.value.reasons)


def test_a_serial_keyed_with_a_slip_finds_the_condemned_record_and_asks_again(shop: Shop) -> None:
    first = shop.up_to("outside", tag=1)
    cylinder_id = shop.visit(first).cylinder_id
    assert cylinder_id is not None
    shop.condemn(cylinder_id)
    shop.do(c.RackIt, visit_id=first)
    other = shop.greet(tag=2)
    slipped = MARKS.model_copy(update={"serial": "K4O7I8"})
    with pytest.raises(Refused) as refused:
        shop.do(c.Identify, visit_id=other, marks=slipped)
    assert [reason.rule_id for reason in refused.value.reasons] == ["identify.second-reading"]
    assert "0 read as O" in refused.value.reasons[0].words


def test_log_and_standing_move_together_or_not_at_all(shop: Shop) -> None:
    visit_id = shop.up_to("outside")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    before = _seq(shop)
    with shop.node.store.reading() as cursor:
        standing_before = standing_row(cursor, cylinder_id)
    with pytest.raises(ZeroDivisionError), shop.node.store.writing() as tx:
        command = c.PlaceHold(key=uuid.uuid4(), cylinder_id=cylinder_id, reason="odd sound")
        _, around = shop.node.desk._look_up(tx, command, shop.actors["operator"], shop.clock.now())
        tx.append(
            decide(None, command, around), key=command.key, actor="a", role="operator", now=shop.clock.now()
        )
        raise ZeroDivisionError
    with shop.node.store.reading() as cursor:
        assert standing_row(cursor, cylinder_id) == standing_before
    assert _seq(shop) == before


def test_standings_folded_again_are_the_standings_kept(shop: Shop) -> None:
    visit_id = shop.up_to("hand_over")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    shop.condemn(cylinder_id)
    assert rebuild(shop.node.store) == 0
    assert check(shop.node.store).problems == ()


def test_a_flipped_bit_in_the_own_log_is_found(shop: Shop) -> None:
    shop.up_to("rating")
    with shop.node.store.writing() as tx:
        tx.c.execute("select rowid, state from stored_events order by rowid limit 1 offset 4")
        rowid, state = tuple(tx.c.fetchone())
        changed = bytearray(state)
        changed[100] ^= 1
        tx.c.execute("update stored_events set state = ? where rowid = ?", (bytes(changed), rowid))
    assert check(shop.node.store).problems != ()


def test_a_standing_changed_by_hand_is_found(shop: Shop) -> None:
    visit_id = shop.up_to("outside")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    shop.condemn(cylinder_id)
    with shop.node.store.writing() as tx:
        tx.c.execute("update standing set document = json_set(document, '$.blocks', json('[]'))")
    assert any("cached standing" in problem for problem in check(shop.node.store).problems)
