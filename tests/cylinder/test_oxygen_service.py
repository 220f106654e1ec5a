"""Clean for oxygen: who says so, until when, what ends it, and what is not filled without it."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from itertools import permutations

import pytest
from tests.cylinder.given import (
    HERE,
    INSPECTOR,
    KNOWN,
    LAPSED,
    NEXT_DOOR,
    OPERATOR,
    OTHER,
    RULES,
    TODAY,
    VISIT,
    Given,
    a_fact,
    an_id,
    authorise,
    blow_out,
    connect_whip,
    greet,
    identify,
    look_over,
    origin,
    psi,
    read_dates,
    read_rating,
    read_residual,
    registered,
    see_standing,
    send_people_out,
)
from tests.cylinder.histories import linked, withdrawn

from cylinder import commands as c
from cylinder import facts as f
from cylinder.around import HousePolicy
from cylinder.decide import decide
from cylinder.decide.mix import oxygen_reasons
from cylinder.facts.oxygen import Parts
from cylinder.marks import GasWanted
from cylinder.oxygen import oxygen_service_of
from cylinder.recorded import Recorded
from cylinder.refusal import Refused
from rulebook import StorePolicy

CLEANED_ON = dt.date(2026, 3, 1)
UNTIL = dt.date(2027, 3, 1)
NITROX_50 = GasWanted(oxygen_percent=50)


def cleaned(
    parts: Parts = "cylinder and valve", *, on: dt.date = CLEANED_ON, until: dt.date = UNTIL, seq: int = 10,
    name: str = "", links: tuple[Recorded, ...] = (), cylinder: object = KNOWN,
) -> Recorded:  # fmt: skip
    fact = f.OxygenCleaned(
        parts=parts, procedure="Degreased, wiped white", cleaned_by="R. Amat", until=until,
        links=tuple(link.id for link in links),
    )  # fmt: skip
    record = a_fact(
        fact, name or f"cleaned {parts} {on} {cylinder}", performed_on=on, at=origin(NEXT_DOOR, seq)
    )
    return replace(record, subject=f"cylinder/{cylinder}")


def filled(
    on: dt.date, *, seq: int = 20, kind: str = "visit.fill_authorised", node: str = NEXT_DOOR
) -> Recorded:
    fact = f.FillAuthorised(visit_id=an_id("a visit next door"), target=psi(3000), rated=psi(3000))
    record = a_fact(fact, f"filled {on} {seq}", actor=OPERATOR, performed_on=on, at=origin(node, seq))
    return replace(record, kind=kind) if kind == fact.KIND else replace(
        record, kind=kind, fact=f.UnknownFact(kind=kind, version=9)
    )  # fmt: skip


def said_fit(on: dt.date, *, seq: int = 19, node: str = NEXT_DOOR) -> Recorded:
    fact = f.GasFitForOxygen(visit_id=an_id("a visit next door"), shown_by="Bank 3, sheet of June")
    return a_fact(fact, f"fit {on} {node}", actor=OPERATOR, performed_on=on, at=origin(node, seq))


def looked_into(on: dt.date, *, seq: int = 20, node: str = NEXT_DOOR) -> Recorded:
    return a_fact(f.VisualPassed(), f"looked {on} {seq} {node}", performed_on=on, at=origin(node, seq))


def is_clean(*facts: Recorded, months: int = 12, today: dt.date = TODAY) -> bool:
    given = replace(Given((registered(), *facts)), now=dt.datetime.combine(today, dt.time(9), dt.UTC))
    return given.oxygen(months=months).is_clean


def test_nobody_recorded_it_so_it_is_not_clean() -> None:
    assert not is_clean()


def test_both_the_cylinder_and_its_valve_have_to_be_cleaned() -> None:
    assert is_clean(cleaned())
    assert not is_clean(cleaned("cylinder"))
    assert not is_clean(cleaned("valve"))
    assert is_clean(cleaned("cylinder"), cleaned("valve"))


def test_it_is_good_to_its_last_day_or_to_the_end_of_the_shops_own_period_whichever_is_first() -> None:
    soon = cleaned(until=TODAY)
    assert is_clean(soon)
    assert not is_clean(soon, today=TODAY + dt.timedelta(days=1))
    assert not is_clean(cleaned(), months=3)  # 1 June, and today is 15 June.
    assert is_clean(cleaned(), months=4)
    assert not is_clean(cleaned(on=TODAY + dt.timedelta(days=1)))


@pytest.mark.parametrize("kind", ["visit.fill_authorised", "visit.fill_completed", "visit.fill_aborted"])
def test_gas_that_nobody_said_is_fit_ends_it_even_as_a_fill_from_newer_software(kind: str) -> None:
    assert not is_clean(cleaned(), filled(dt.date(2026, 4, 1), kind=kind))
    assert is_clean(cleaned(), filled(dt.date(2026, 2, 1), kind=kind))


def test_gas_that_was_said_to_be_fit_by_the_shop_that_filled_ends_nothing() -> None:
    april = dt.date(2026, 4, 1)
    assert is_clean(cleaned(), said_fit(april), filled(april))
    assert not is_clean(cleaned(), said_fit(april, node=HERE), filled(april))


def test_a_look_inside_ends_it_for_the_cylinder_until_it_is_cleaned_again() -> None:
    april = dt.date(2026, 4, 1)
    assert not is_clean(cleaned(), looked_into(april))
    assert is_clean(cleaned(), looked_into(april), cleaned("cylinder", on=april + dt.timedelta(days=1)))


def test_of_the_same_day_only_the_order_of_one_log_counts() -> None:
    assert is_clean(looked_into(CLEANED_ON, seq=9), cleaned(seq=10))
    assert not is_clean(looked_into(CLEANED_ON, seq=11), cleaned(seq=10))
    assert not is_clean(looked_into(CLEANED_ON, seq=9, node=HERE), cleaned(seq=10))


def test_anybody_may_say_that_it_is_over_and_only_a_cleaning_answers() -> None:
    over = a_fact(f.OxygenServiceEnded(why="Oil on the dip tube"), "over", actor=OPERATOR)
    assert not is_clean(cleaned(), over)
    assert "Oil on the dip tube" in Given((registered(), cleaned(), over)).oxygen().words


def test_a_cleaning_counts_only_from_an_inspector_in_date_with_proof() -> None:
    assert not is_clean(replace(cleaned(), actor=OPERATOR.id, role="inspector"))
    assert not is_clean(replace(cleaned(), actor=LAPSED.id, performed_on=TODAY))
    assert not is_clean(replace(cleaned(), origin=replace(cleaned().origin, is_proven=False)))
    assert not is_clean(cleaned(), withdrawn(INSPECTOR, since=CLEANED_ON, on=CLEANED_ON))
    two_contents = replace(cleaned(), actor=OPERATOR.id)
    assert not is_clean(cleaned(), two_contents)


def test_no_order_of_arrival_and_no_copy_makes_a_difference() -> None:
    april = dt.date(2026, 4, 1)
    facts = (cleaned(), said_fit(april), filled(april), looked_into(dt.date(2026, 2, 1)))
    known = Given((registered(), *facts)).standing()
    for order in permutations(facts):
        answer = oxygen_service_of(
            (*order, *facts), TODAY, standing=known, credentials=Given().staff, months=12
        )
        assert answer == Given((registered(), *facts)).oxygen()


def test_a_link_makes_nothing_clean_and_a_split_leaves_nothing_clean_that_rested_on_it() -> None:
    other = registered(OTHER)
    link = linked()
    assert not Given((registered(), other, link, cleaned())).oxygen().is_clean
    both = (cleaned(links=(link,)), cleaned(links=(link,), cylinder=OTHER))
    assert Given((registered(), other, link, *both)).oxygen().is_clean
    assert not Given((registered(), other, *both)).oxygen().is_clean


def clean(**more: object) -> c.CleanForOxygen:
    asked = {
        "key": an_id("clean"), "cylinder_id": KNOWN, "performed_on": TODAY, "parts": "cylinder and valve",
        "procedure": "Sheet 4", "cleaned_by": "R. Amat", "until": TODAY + dt.timedelta(days=365), **more,
    }  # fmt: skip
    return c.CleanForOxygen.model_validate(asked)


AT_BENCH = Given((registered(),), actor=INSPECTOR)


def test_cleaning_is_recorded_by_an_inspector_in_date_for_no_longer_than_the_shops_period() -> None:
    assert AT_BENCH.do(clean()).oxygen().is_clean
    AT_BENCH.by(OPERATOR).when(clean()).is_refused_for("bench.inspector")
    AT_BENCH.by(LAPSED).when(clean()).is_refused_for("bench.certificate")
    AT_BENCH.when(clean(until=TODAY + dt.timedelta(days=366))).is_refused_for("oxygen.until")
    AT_BENCH.when(clean(until=TODAY - dt.timedelta(days=1))).is_refused_for("oxygen.until")
    long_ago = TODAY - dt.timedelta(days=32)
    AT_BENCH.when(clean(performed_on=long_ago, until=TODAY)).is_refused_for("bench.day-old")


def test_cleaning_is_recorded_on_every_record_of_the_cylinder() -> None:
    given = replace(AT_BENCH, facts=(registered(), registered(OTHER), linked()))
    after = given.do(clean())
    assert after.oxygen().is_clean
    assert after.oxygen(OTHER).is_clean


def test_anybody_at_the_shop_may_record_that_it_is_over() -> None:
    over = c.EndOxygenService(key=an_id("over"), cylinder_id=KNOWN, why="Valve from a box")
    after = AT_BENCH.do(clean()).by(OPERATOR).do(over)
    assert not after.oxygen().is_clean


def say_fit(**more: object) -> c.SayGasFit:
    asked = {
        "key": an_id("fit"), "visit_id": VISIT, "shown_by": "Bank 3, sheet of June",
        "was_filled_nowhere_else": True, **more,
    }  # fmt: skip
    return c.SayGasFit.model_validate(asked)


def up_to_standing(gas: GasWanted, *facts: Recorded) -> Given:
    """A visit for this gas, up to the question what the network holds against the cylinder."""
    return Given((registered(), *facts)).do(
        greet(gas, nitrox=True), identify(), look_over(), read_dates(), read_rating()
    )


def to_target(gas: GasWanted, *facts: Recorded) -> Given:
    """The same, up to the target."""
    return up_to_standing(gas, *facts).do(
        see_standing(), send_people_out(), blow_out(), connect_whip(), read_residual()
    )


def test_above_forty_percent_an_unclean_cylinder_is_refused_before_anything_is_connected() -> None:
    # 29 CFR 1910.430(i), 2015 annual edition: above 40 % oxygen.
    reasons = up_to_standing(NITROX_50).when(see_standing()).is_refused_for("us.oxygen.cleaned")
    assert (reasons[0].source, reasons[0].clause) == ("29 CFR", "1910.430(i)")


def test_above_forty_percent_fit_gas_is_asked_for_as_well_and_then_it_is_filled() -> None:
    given = to_target(NITROX_50, cleaned())
    given.when(authorise()).is_refused_for("oxygen.gas-not-fit")
    over = given.but(a_fact(f.OxygenServiceEnded(why="Oil seen"), "oil", actor=OPERATOR))
    reasons = over.when(authorise()).is_refused_for(
        "us.oxygen.cleaned", "oxygen.not-clean", "oxygen.gas-not-fit"
    )
    assert any("Oil seen" in one.words for one in reasons)
    after = given.do(say_fit(), authorise())
    assert after.oxygen().is_clean
    after.when(say_fit(key=an_id("again"))).is_refused_for("oxygen.too-late")


def test_forty_percent_is_filled_without_and_the_fill_ends_the_cleanliness() -> None:
    # 29 CFR 1910.430(i): "exceeding 40 percent".
    after = to_target(GasWanted(oxygen_percent=40), cleaned()).do(authorise())
    assert not after.oxygen().is_clean


def test_a_shop_may_ask_for_it_from_twenty_three_and_a_half_percent() -> None:
    # 29 CFR 1910.134(i)(3), 2015 annual edition: concentrations above 23.5 %. A policy only tightens the 40 %.
    given = to_target(GasWanted(oxygen_percent=32))
    strict = replace(
        given.around(authorise()), policy=HousePolicy(store=StorePolicy(oxygen_clean_above_percent=23.5))
    )
    with pytest.raises(Refused) as refused:
        decide(given.visit(), authorise(), strict)
    assert {one.rule_id for one in refused.value.reasons} == {
        "house.oxygen_clean", "oxygen.not-clean", "oxygen.gas-not-fit",
    }  # fmt: skip
    loose = replace(strict, policy=HousePolicy(store=StorePolicy(oxygen_clean_above_percent=90)))
    over = list(oxygen_reasons(NITROX_50, loose, visit_id=VISIT))
    assert "us.oxygen.cleaned" in {one.rule_id for one in over}
    assert RULES.rule("oxygen.cleaned").amount("percent") == 40


def test_oxygen_itself_into_a_cylinder_asks_for_it_whatever_the_mix_will_be() -> None:
    around = to_target(GasWanted(oxygen_percent=32)).around(authorise())
    asked = oxygen_reasons(GasWanted(oxygen_percent=32), around, visit_id=VISIT, oxygen_goes_in_pure=True)
    assert "us.oxygen.blending" in {one.rule_id for one in asked}
    never_looked_up = replace(around, oxygen=None)
    assert {one.rule_id for one in oxygen_reasons(NITROX_50, never_looked_up)} == {
        "us.oxygen.cleaned", "oxygen.gas-not-fit",
    }  # fmt: skip


def test_gas_is_said_to_be_fit_only_of_a_known_cylinder_that_was_filled_nowhere_else() -> None:
    given = to_target(NITROX_50, cleaned())
    given.when(say_fit(was_filled_nowhere_else=False)).is_refused_for("oxygen.filled-elsewhere")
    unknown = Given((registered(),)).do(greet(NITROX_50, nitrox=True))
    unknown.when(say_fit()).is_refused_for("oxygen.which")
    driver = replace(OPERATOR, role="diver")
    given.by(driver).when(say_fit()).is_refused_for("oxygen.who")
