"""The banks from an empty shop to a what-if: set up, read, drawn down by a fill, and never written to by a question."""

from __future__ import annotations

import re

import pytest
from tests.branch.a_shop import DIVER, Shop
from tests.branch.web_floor.conftest import Tablet, a_tablet, form

from branch import banks as kept
from cylinder import commands as c
from cylinder.marks import GasWanted
from plant.bank_state import BankState


def a_bank(tablet: Tablet, *names: str, whips: tuple[str, ...] = ("1",)) -> str:
    """Set one up through the form; gives its address."""
    answer = tablet.send(
        tablet.get("/banks/set-up"), "/banks/set-up", name="Air bank", oxygen="20.9", helium="0", unit="bar",
        bottle_name=list(names), bottle_litre=["50"] * len(names), bottle_service=["300"] * len(names), whip=list(whips),
    )  # fmt: skip
    assert answer.status_code == 303, answer.text
    return answer.headers["location"].removesuffix("/read")


def read(tablet: Tablet, here: str, bottle: str, bar: str, warm: str = "21") -> str:
    page = tablet.get(f"{here}/read?bottle={bottle}")
    answer = tablet.send(page, f"{here}/read", gauge=bar, unit="bar", warm=warm, degree="C")
    assert answer.status_code == 303, answer.text
    return answer.headers["location"]


def the_bank(shop: Shop) -> BankState:
    with shop.node.store.reading() as cursor:
        (found,) = kept.banks(cursor, shop.node.settings.node)
    return found


@pytest.fixture
def manager(shop: Shop) -> Tablet:
    return a_tablet(shop, role="manager")


def test_without_a_bank_the_page_says_how(shop: Shop, manager: Tablet) -> None:
    assert "Set it up" in manager.get("/banks").text
    operator = a_tablet(shop)
    assert "A manager sets it up" in operator.get("/banks").text
    assert operator.get("/banks/set-up").status_code == 409
    assert operator.get("/more").text.count('"/banks"') == 1


def test_bottles_are_read_one_after_the_other(shop: Shop, manager: Tablet) -> None:
    here = a_bank(manager, "A", "B")
    assert "nobody knows" in manager.get("/banks").text
    assert read(manager, here, "A", "290", "24") == f"{here}/read?bottle=B&warm=24&degree=C"
    assert 'value="24"' in manager.get(f"{here}/read?bottle=B&warm=24&degree=C").text
    assert read(manager, here, "B", "210") == "/banks"
    page = manager.get("/banks").text
    assert "290 bar" in page
    assert "210 bar" in page
    assert re.search(r"\d+ ± \d+ mol", page)


def test_a_fill_draws_the_bank_of_its_whip_down_and_asks_nothing_for_it(shop: Shop, manager: Tablet) -> None:
    here = a_bank(manager, "A", "B", whips=("1", "2"))
    read(manager, here, "A", "290")
    read(manager, here, "B", "280")
    before = the_bank(shop)
    shop.up_to("bleed", tag=4)  # 620 to 3000 psi through whip 1, by the shop's own good answers.
    after = the_bank(shop)
    assert after.mol < before.mol
    assert after.fills_since == 1
    assert after.within_mol > before.within_mol
    assert "estimate over 1 fill," in manager.get("/banks").text
    read(manager, here, "A", "285")
    read(manager, here, "B", "240")
    assert the_bank(shop).fills_since == 0


def test_what_if_counts_who_waits_and_writes_nothing(shop: Shop, manager: Tablet) -> None:
    here = a_bank(manager, "A", "B")
    read(manager, here, "A", "290")
    read(manager, here, "B", "280")
    shop.greet(tag=5)
    shop.up_to("people_out", tag=6)
    nitrox = c.Taken(tag=7, gas=GasWanted(oxygen_percent=32))
    shop.do(c.Greet, diver_ref=DIVER, level="Advanced", covers_nitrox=True, cylinders=(nitrox,))
    shop.do(c.HoldIt, visit_id=shop.greet(tag=8), why="Valve does not close")
    facts = manager.facts()
    page = manager.get(
        f"{here}?litre=12&start=60&target=200&more=3&delivery=340&swept=10&ratio=10&least=20"
    ).text
    assert "fills all 5 cylinders" in page
    assert "2 of 2 come full" in page
    assert "1 more want another gas" in page
    assert "1 held or stopped" in page
    assert "60 bar assumed" in page
    assert "3000 psi as stamped" in page
    assert "give or take" in page
    assert manager.facts() == facts


def test_bad_figures_are_all_named_and_stand_there_still(manager: Tablet) -> None:
    here = a_bank(manager, "A")
    assert "Read the gauges" in manager.get(here).text
    read(manager, here, "A", "290")
    page = manager.get(f"{here}?litre=x&start=900&target=-1&more=3.5&bottle0=nan&delivery=0&swept=2")
    assert page.status_code == 422
    for label in ("Size of a cylinder", "Left in a cylinder", "Filled to", "More cylinders", "Bottle A", "Compressor", "Booster ratio"):  # fmt: skip
        assert f"{label}: key a" in page.text
    assert 'value="900"' in page.text


def test_a_set_up_with_faults_keeps_what_was_keyed(manager: Tablet) -> None:
    page = manager.send(
        manager.get("/banks/set-up"), "/banks/set-up", name="", oxygen="60", helium="60", unit="bar",
        bottle_name=["A", "", "C"], bottle_litre=["50", "many", "40"], bottle_service=["300", "", "300"], whip=["1"],
    )  # fmt: skip
    assert page.status_code == 422
    assert "Not recorded" in page.text
    assert 'value="many"' in page.text
    assert manager.get("/banks").text.count("No bank is set up") >= 1


def test_a_misread_gauge_and_a_missing_temperature_are_said(manager: Tablet) -> None:
    here = a_bank(manager, "A")
    far = manager.send(
        manager.get(f"{here}/read"), f"{here}/read", gauge="4000", unit="bar", warm="21", degree="C"
    )
    assert "Read the gauge and its unit again" in far.text
    assert 'value="4000"' in far.text
    cold = manager.send(
        manager.get(f"{here}/read"), f"{here}/read", gauge="200", unit="bar", warm="cold", degree="F"
    )
    assert "Temperature" in cold.text
    assert cold.status_code == 422


def test_the_same_tap_twice_is_one_record(shop: Shop, manager: Tablet) -> None:
    here = a_bank(manager, "A")
    page, facts = manager.get(f"{here}/read"), manager.facts()
    for _ in range(2):
        manager.send(page, f"{here}/read", gauge="200", unit="bar", warm="70", degree="F")
    assert manager.facts() == facts + 1
    bottle = the_bank(shop).bottles[0]
    assert bottle.read_c == pytest.approx(21.1, abs=0.1)


def test_topping_up_withdrawing_taking_back_and_closing(shop: Shop, manager: Tablet) -> None:
    here = a_bank(manager, "A", "B")
    done = manager.send(manager.get(f"{here}/topped-up"), f"{here}/topped-up", bottle=["A", "B"], gauge="300", unit="bar", warm="35,5", degree="C", oxygen="20,9")  # fmt: skip
    assert done.headers["location"] == "/banks"
    assert len(the_bank(shop).giving) == 2
    manager.send(manager.get(f"{here}/set-up"), f"{here}/withdraw", bottle="A", why="Valve leaks")
    assert [one.name for one in the_bank(shop).giving] == ["B"]
    assert "Valve leaks" in manager.get("/banks").text
    manager.send(manager.get(f"{here}/set-up"), f"{here}/take-back", bottle="A", finding="New seal")
    assert the_bank(shop).bottles[0].mol is None
    assert form(manager.get(f"{here}/set-up"), f"{here}/set-up").text("bottle_name") == "A"
    manager.send(manager.get(f"{here}/set-up"), f"{here}/close", why="Sold")
    assert "No bank is set up" in manager.get("/banks").text
    assert manager.get(here).status_code == 404


def test_a_bank_in_the_blenders_list_follows_its_readings(shop: Shop, manager: Tablet) -> None:
    here = a_bank(manager, "A", "B")
    refused = manager.post(f"{here}/offer", {})
    assert "no bottle has been read" in refused.text
    read(manager, here, "A", "200")
    assert manager.post(f"{here}/offer", {}).status_code == 303
    assert "blender" in manager.get("/banks").text

    def listed() -> list[tuple[str, float]]:
        return [(gas.name, gas.pressure.value) for gas in shop.node.gases.on_hand() if gas.pressure]

    ((name, first),) = listed()
    assert name == "Air bank"
    assert first == pytest.approx(196, abs=3)
    read(manager, here, "B", "280")
    assert listed()[0][1] == pytest.approx(275, abs=4)
    manager.send(manager.get(f"{here}/set-up"), f"{here}/close", why="Sold")
    assert listed() == []
