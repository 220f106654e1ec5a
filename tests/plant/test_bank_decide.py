"""What cannot be recorded of a bank, with every reason at once."""

from __future__ import annotations

import pytest
from tests.plant.bottles import BANK, OTHER_BANK, keyed, read, said, set_up, topped

from cylinder.facts import BankBottleReturned, BankBottleWithdrawn, BankClosed, BankSetUp
from cylinder.facts.banks import BottleMarks
from cylinder.refusal import Refused
from plant.bank_decide import BankFact, check, strays
from plant.bank_fold import banks_of

BANKS = banks_of((said(1, set_up("A", "B")), said(2, BankBottleWithdrawn(bottle="B", why="Leaks"))))
NITROX = banks_of((said(1, set_up("N", oxygen=32)), said(2, topped("N", oxygen=31.2))))


def refused(fact: BankFact, *, role: str = "manager", banks: object = BANKS, bank_id: object = BANK) -> str:
    assert isinstance(banks, tuple)
    with pytest.raises(Refused) as found:
        check(fact, BANK if bank_id is BANK else OTHER_BANK, banks, role=role, whips=4)
    return " ".join(reason.words for reason in found.value.reasons)


def test_good_words_are_taken() -> None:
    check(read("A", 290), BANK, BANKS, role="operator", whips=4)
    check(topped("A"), BANK, BANKS, role="operator", whips=4)
    check(BankBottleReturned(bottle="B", finding="Tight"), BANK, BANKS, role="manager", whips=4)
    check(set_up("A", "B", "C"), BANK, BANKS, role="manager", whips=4)
    check(topped("N", oxygen=32.4), BANK, NITROX, role="operator", whips=4)


@pytest.mark.parametrize(
    "fact",
    [
        set_up("A"), BankClosed(why="Sold"), BankBottleWithdrawn(bottle="A", why="Leaks"),
        BankBottleReturned(bottle="B", finding="Tight"),
    ],
)  # fmt: skip
def test_only_a_manager_changes_what_a_bank_is(fact: BankFact) -> None:
    assert "Only a manager" in refused(fact, role="operator")


def test_another_banks_whip_and_name_are_taken_and_a_stamp_is_looked_at_twice() -> None:
    wrong = BankSetUp(
        name="air bank", oxygen_percent=20.9, whips=(1, 9),
        bottles=(BottleMarks(name="A", volume_litre=50, service=keyed(3000)),),
    )  # fmt: skip
    words = refused(wrong, bank_id=OTHER_BANK)
    for part in ("Read the stamp", "Whip 1 is fed by Air bank", "no whip 9", "already"):
        assert part in words


def test_a_gauge_far_above_the_stamp_is_read_again() -> None:
    assert "Read the gauge and its unit again" in refused(read("A", 4000))
    assert "keep away" in refused(topped("A", bar=460))


def test_a_bottle_that_is_not_there_or_withdrawn_is_not_read() -> None:
    assert "no bottle Z" in refused(read("Z", 100))
    assert "withdrawn" in refused(topped("A", "B"))
    assert "no withdrawn bottle A" in refused(BankBottleReturned(bottle="A", finding="Tight"))
    assert "no such bank" in refused(read("A", 100), bank_id=OTHER_BANK)


def test_a_mixture_is_analysed_after_topping_up() -> None:
    assert "analyse it" in refused(topped("N"), banks=NITROX)
    assert "not air" in refused(topped("A", oxygen=36))


def test_a_bank_that_is_not_what_it_is_for_is_seen() -> None:
    assert not strays(NITROX[0])
    (lean,) = banks_of((said(1, set_up("N", oxygen=32)), said(2, topped("N", oxygen=29))))
    assert strays(lean)


def test_two_bottles_of_one_name_and_more_than_all_gas_are_no_bank() -> None:
    with pytest.raises(ValueError, match="same name"):
        set_up("A", "a")
    with pytest.raises(ValueError, match="more than 100"):
        set_up("A", oxygen=60, helium=60)
