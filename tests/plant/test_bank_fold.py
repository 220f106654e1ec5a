"""What the bottles hold follows from readings and fills: no mole is made or lost, and a reading outweighs every estimate."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from tests.plant.bottles import BANK, OTHER_BANK, fill, read, said, set_up, topped

from cylinder.facts import BankBottleReturned, BankBottleWithdrawn, BankClosed, UnknownFact
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import DRY_AIR, REFERENCE_21_C
from gas.states import contained
from plant.bank_fold import DRAWN_WITHIN_FRACTION, Turn, banks_of
from plant.bank_state import BankState, BottleState, on_hand

START = (said(1, set_up("A", "B")), said(2, read("A", 300)), said(3, read("B", 200)))


def only(*turns: Turn) -> BankState:
    (bank,) = banks_of(turns)
    return bank


def bottle(bank: BankState, name: str) -> BottleState:
    found = bank.bottle(name)
    assert found is not None
    return found


def gauge(bank: BankState, name: str) -> float:
    found = bank.gauge(bottle(bank, name))
    assert found is not None
    return found.bar


def moles(bar: float, litre: float) -> float:
    return contained(DRY_AIR, Pressure(bar, "bar"), REFERENCE_21_C, volume_litre=litre).mol


def test_what_was_read_is_what_the_state_shows() -> None:
    bank = only(*START)
    assert gauge(bank, "A") == pytest.approx(300, abs=0.01)
    assert gauge(bank, "B") == pytest.approx(200, abs=0.01)
    assert bank.mol == pytest.approx(moles(300, 50) + moles(200, 50), rel=1e-9)
    assert not any(one.is_estimate for one in bank.bottles)


def test_a_fill_takes_from_the_bank_what_the_cylinder_gains() -> None:
    before, after = only(*START), only(*START, fill(4), fill(5))
    gained = 2 * (moles(207, 11.1) - moles(50, 11.1))
    assert before.mol - after.mol == pytest.approx(gained, rel=1e-9)
    assert gauge(after, "B") < 200
    assert after.fills_since == 2


def test_the_estimate_is_less_sure_with_every_fill_and_sure_again_after_a_reading() -> None:
    sure = [only(*START, *(fill(4 + one) for one in range(count))).within_mol for count in range(4)]
    assert sure == sorted(sure)
    took = moles(207, 11.1) - moles(50, 11.1)
    assert sure[1] - sure[0] == pytest.approx(took * DRAWN_WITHIN_FRACTION, rel=1e-6)
    again = only(*START, fill(4), fill(5), said(6, read("A", 290)), said(7, read("B", 150)))
    assert again.within_mol < sure[0] * 1.01
    assert gauge(again, "B") == pytest.approx(150, abs=0.01)
    assert again.fills_since == 0


def test_the_order_in_which_facts_arrive_does_not_matter() -> None:
    turns = [
        *START, fill(4), said(5, topped("B")), fill(6), said(7, read("A", 280, 30)), fill(8, whip=2),
        said(9, set_up("C", oxygen=32, whips=(2,)), OTHER_BANK), said(10, read("C", 220), OTHER_BANK), fill(11, whip=2),
    ]  # fmt: skip
    expected = banks_of(turns)
    shuffler = random.Random(8)
    for _ in range(6):
        shuffled = [*turns, *turns[:5]]
        shuffler.shuffle(shuffled)
        assert banks_of(shuffled) == expected


def test_readings_of_different_bottles_commute() -> None:
    one = only(said(1, set_up("A", "B")), said(2, read("A", 300)), said(3, read("B", 200)))
    other = only(said(1, set_up("A", "B")), said(3, read("A", 300)), said(2, read("B", 200)))
    assert [(b.mol, b.read) for b in one.bottles] == [(b.mol, b.read) for b in other.bottles]


def test_a_fill_through_another_whip_takes_nothing() -> None:
    assert only(*START, fill(4, whip=9)) == only(*START)


def test_a_bottle_that_nobody_read_holds_nothing_that_counts() -> None:
    bank = only(said(1, set_up("A", "B")), said(2, read("A", 300)), fill(3))
    assert bottle(bank, "B").mol is None
    assert bank.gauge(bottle(bank, "B")) is None
    assert any("nobody has read" in words for words in bank.unsure)
    assert on_hand((only(said(1, set_up("A"))),)) == ()


def test_a_fill_past_what_the_bank_held_empties_nothing_below_zero_and_says_so() -> None:
    bank = only(said(1, set_up("A")), said(2, read("A", 120)), *(fill(3 + one) for one in range(30)))
    assert bank.mol > 0
    assert any("more than these bottles held" in words for words in bank.unsure)
    again = only(said(1, set_up("A")), said(2, read("A", 120)), fill(3), said(4, read("A", 90)))
    assert again.unsure == ()


def test_a_fill_stopped_without_a_gauge_is_said() -> None:
    bank = only(*START, fill(4, end=None))
    assert bank.mol == only(*START).mol
    assert any("nobody keyed where" in words for words in bank.unsure)
    assert bank.fills_since == 1


def test_a_withdrawn_bottle_gives_nothing_and_is_read_anew_when_it_returns() -> None:
    away = (*START, said(4, BankBottleWithdrawn(bottle="A", why="Valve leaks")))
    bank = only(*away, fill(5))
    assert [one.name for one in bank.giving] == ["B"]
    assert bottle(bank, "A").mol == bottle(only(*START), "A").mol
    back = only(*away, said(6, BankBottleReturned(bottle="a", finding="New seal")))
    assert bottle(back, "A").mol is None


def test_setting_up_again_keeps_the_gas_of_the_same_bottles() -> None:
    same = only(*START, said(4, set_up("A", "C")))
    assert bottle(same, "A").mol == bottle(only(*START), "A").mol
    assert bottle(same, "C").mol is None
    other_gas = only(*START, said(4, set_up("A", "B", oxygen=32)))
    assert [one.mol for one in other_gas.bottles] == [None, None]
    larger = only(*START, said(4, set_up("A", litre=80)))
    assert bottle(larger, "A").mol is None


def test_what_was_analysed_is_what_the_bank_holds() -> None:
    bank = only(said(1, set_up("A", oxygen=32)), said(2, topped("A", oxygen=31.6)))
    assert bank.mix == Mix(0.316)
    assert bank.meant == Mix(0.32)
    assert only(said(1, set_up("A", oxygen=32)), said(2, topped("A", oxygen=31.6)), said(3, set_up("A", oxygen=32))).mix == Mix(0.316)  # fmt: skip


def test_a_hot_bottle_holds_less_than_its_gauge_says() -> None:
    hot, cold = (
        only(said(1, set_up("A")), said(2, read("A", 300, 45))),
        only(said(1, set_up("A")), said(2, read("A", 300))),
    )
    assert hot.mol < cold.mol


def test_a_bottle_above_its_service_pressure_when_cold_is_seen() -> None:
    full = only(said(1, set_up("A")), said(2, read("A", 320)))
    assert full.is_over_service(bottle(full, "A"))
    hot = only(said(1, set_up("A")), said(2, read("A", 318, 45)))
    assert not hot.is_over_service(bottle(hot, "A"))


def test_closed_banks_and_words_about_no_bank_are_passed_over() -> None:
    assert banks_of((*START, said(4, BankClosed(why="Sold")), fill(5))) == ()
    assert banks_of((said(1, read("A", 100)), fill(2))) == ()
    strange = said(4, UnknownFact(kind="bank.painted", version=1))
    assert only(*START, strange) == only(*START)
    elsewhere = replace(START[1], number=9)
    assert only(*START, said(8, read("Z", 100)), elsewhere).bottle("Z") is None


def test_on_hand_is_the_fullest_bottle_at_the_least_it_may_be() -> None:
    ((name, mix, pressure),) = on_hand((only(*START),))
    assert (name, mix) == ("Air bank", Mix(0.2096))
    assert 290 < pressure.bar < 300
    assert only(*START).bank_id == BANK


def test_a_mixture_that_nobody_analysed_is_not_on_hand() -> None:
    guessed = only(said(1, set_up("N", oxygen=32)), said(2, read("N", 200)))
    assert on_hand((guessed,)) == ()
    known = only(said(1, set_up("N", oxygen=32)), said(2, topped("N", oxygen=31.5)))
    assert [mix for _, mix, _ in on_hand((known,))] == [Mix(0.315)]
