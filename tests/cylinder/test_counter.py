"""At the counter: who is greeted, which cylinder it is, and what is done when that is not certain."""

from __future__ import annotations

import pytest
from pydantic import ValidationError
from tests.cylinder.given import (
    DIVER,
    INSPECTOR,
    KNOWN,
    MARKS,
    OTHER,
    SECOND_VISIT,
    VISIT,
    Given,
    an_id,
    condemned,
    greet,
    held,
    hold_it,
    identify,
    marked,
    registered,
    reopen,
    resume,
    up_to,
)

from cylinder import commands as c
from cylinder import facts as f
from cylinder.marks import GasWanted, Marks

KNOWN_HERE = Given((registered(),))
CONDEMNED_NEXT_DOOR = Given((registered(), condemned()))
NEAR = "80471"  # B0471 with B read as 8


def test_a_diver_is_greeted_with_two_cylinders() -> None:
    made = Given().when(greet(GasWanted(), GasWanted()))
    facts = made.makes(f.CylinderReceived, f.CertificationSeen, f.CylinderReceived, f.CertificationSeen)
    assert {new.diver_ref for new in facts} == {DIVER}


def test_a_greeting_sent_twice_makes_the_same_visits() -> None:
    assert Given().when(greet()) == Given().when(greet())


def test_a_tag_that_hangs_on_a_cylinder_here_is_refused() -> None:
    again = greet().model_copy(update={"key": an_id("the next diver")})
    Given().do(greet()).when(again).is_refused_for("greet.tag-taken")


def test_one_tag_for_two_cylinders_is_refused() -> None:
    both = greet().model_copy(update={"cylinders": (c.Taken(tag=3), c.Taken(tag=3))})
    Given().when(both).is_refused_for("greet.tag-twice")


@pytest.mark.parametrize(
    ("gas", "nitrox"),
    [
        (GasWanted(oxygen_percent=32), False),
        (GasWanted(oxygen_percent=18, helium_percent=45), False),
        (GasWanted(oxygen_percent=18, helium_percent=45), True),
    ],
)
def test_a_mix_beyond_the_certification_is_refused(gas: GasWanted, nitrox: bool) -> None:
    Given().when(greet(gas, nitrox=nitrox)).is_refused_for("greet.certification")


def test_a_mix_that_asks_for_a_clean_cylinder_is_taken_in_and_judged_once_it_is_known_which_it_is() -> None:
    # Before gas flows: tests/cylinder/test_oxygen_service.py.
    assert not Given().when(greet(GasWanted(oxygen_percent=41), nitrox=True)).reasons


def test_a_mix_of_more_than_the_whole_gas_is_refused() -> None:
    gas = GasWanted(oxygen_percent=30, helium_percent=80)
    Given().when(greet(gas, trimix=True)).is_refused_for("gas.sum")


def test_a_cylinder_nobody_has_seen_is_put_on_record() -> None:
    made = Given().do(greet()).when(identify()).makes(f.CylinderRegistered, f.CylinderIdentified)
    assert made[0].subject == made[1].subject


def test_a_known_cylinder_is_found_by_serial_and_maker() -> None:
    made = KNOWN_HERE.do(greet()).when(identify(marked(serial="b-0471"))).makes(f.CylinderIdentified)
    assert made[0].subject == f"cylinder/{KNOWN}"


@pytest.mark.parametrize("typed", ["8O471", "B047I", "BO47I", NEAR])
def test_a_serial_with_confusable_signs_finds_the_condemned_record_and_asks_for_a_second_reading(
    typed: str,
) -> None:
    outcome = CONDEMNED_NEXT_DOOR.do(greet()).when(identify(marked(serial=typed)))
    outcome.is_refused_for("identify.second-reading")
    assert "B0471 is condemned" in outcome.words


@pytest.mark.parametrize(
    ("stamped", "typed"), [("O12", "012"), ("I12", "112"), ("S12", "512"), ("B12", "812"), ("Z12", "212")]
)
def test_each_pair_of_confusable_signs_is_caught_both_ways(stamped: str, typed: str) -> None:
    for on_record, keyed in ((stamped, typed), (typed, stamped)):
        marks = marked(serial=on_record)
        given = Given((registered(marks=marks), condemned(serial=on_record))).do(greet())
        given.when(identify(marked(serial=keyed))).is_refused_for("identify.second-reading")


def test_a_slip_of_one_finger_near_a_condemned_serial_asks_for_a_second_reading() -> None:
    given = CONDEMNED_NEXT_DOOR.do(greet())
    given.when(identify(marked(serial="B0417"))).is_refused_for("identify.second-reading")


def test_two_readings_that_differ_are_refused() -> None:
    given = CONDEMNED_NEXT_DOOR.do(greet())
    given.when(identify(marked(serial=NEAR), second="B0471")).is_refused_for(
        "identify.readings-differ", "identify.cannot-tell-apart"
    )


def test_the_same_reading_twice_with_all_other_marks_equal_cannot_be_told_apart() -> None:
    given = CONDEMNED_NEXT_DOOR.do(greet())
    given.when(identify(marked(serial=NEAR), second=NEAR)).is_refused_for("identify.cannot-tell-apart")


@pytest.mark.parametrize(
    "marks",
    [
        marked(serial=NEAR, maker=""),
        marked(serial=NEAR, maker="1X"),
        marked(serial=NEAR, maker="L-X"),
        marked(serial=NEAR, spec="DOT-3AL3000"),
    ],
)
def test_a_blank_misread_or_differently_spelled_mark_tells_nothing_apart(marks: Marks) -> None:
    given = CONDEMNED_NEXT_DOOR.do(greet())
    given.when(identify(marks, second=NEAR)).is_refused_for("identify.cannot-tell-apart")


@pytest.mark.parametrize(
    "marks",
    [marked(serial=NEAR, maker="QV"), marked(serial=NEAR, spec="3AA"), marked(NEAR, first_test="2021-09")],
)
def test_another_mark_tells_it_apart_from_the_condemned_one(marks: Marks) -> None:
    given = CONDEMNED_NEXT_DOOR.do(greet())
    made = given.when(identify(marks, second=NEAR)).makes(f.CylinderRegistered, f.CylinderIdentified)
    identified = made[1].fact
    assert isinstance(identified, f.CylinderIdentified)
    assert identified.told_apart_from == (KNOWN,)
    assert identified.second_reading


def test_every_claim_of_the_condemned_record_has_to_differ() -> None:
    claim = f.CylinderIdentified(visit_id=an_id("v"), marks=marked(maker="QV"), was_known=True)
    from_next_door = condemned()
    given = CONDEMNED_NEXT_DOOR.but(
        type(from_next_door)(
            id=an_id("a second claim"),
            kind=claim.KIND,
            fact=claim,
            effect="neutral",
            subject=from_next_door.subject,
            performed_on=from_next_door.performed_on,
            at=from_next_door.at,
            actor="x",
            role="operator",
            origin=from_next_door.origin,
        )
    ).do(greet())
    given.when(identify(marked(serial=NEAR, maker="QV"), second=NEAR)).is_refused_for(
        "identify.cannot-tell-apart"
    )


def test_a_condemned_serial_is_identified_and_then_stopped() -> None:
    given = CONDEMNED_NEXT_DOOR.do(greet())
    given.when(identify()).makes(f.CylinderIdentified)


def test_of_two_records_of_one_cylinder_the_condemned_one_is_found() -> None:
    given = Given((registered(OTHER), registered(KNOWN), condemned(KNOWN))).do(greet())
    assert given.when(identify()).makes(f.CylinderIdentified)[0].subject == f"cylinder/{KNOWN}"
    given = Given((registered(KNOWN), registered(OTHER), condemned(OTHER))).do(greet())
    assert given.when(identify()).makes(f.CylinderIdentified)[0].subject == f"cylinder/{OTHER}"


def test_two_makers_with_one_serial_are_two_cylinders() -> None:
    given = KNOWN_HERE.do(greet())
    made = given.when(identify(marked(maker="QV"), another=True)).makes(
        f.CylinderRegistered, f.CylinderIdentified
    )
    assert made[0].subject != f"cylinder/{KNOWN}"


def test_a_clear_look_alike_asks_whether_it_is_that_one_or_another() -> None:
    given = KNOWN_HERE.do(greet())
    keyed = marked(serial=NEAR)
    given.when(identify(keyed)).is_refused_for("identify.look-alike")
    chosen = given.when(identify(keyed, chosen=KNOWN)).makes(f.CylinderIdentified)
    assert chosen[0].subject == f"cylinder/{KNOWN}"
    given.when(identify(keyed, another=True)).makes(f.CylinderRegistered, f.CylinderIdentified)


def test_who_says_that_it_is_the_condemned_one_is_believed_whatever_was_read_before() -> None:
    given = CONDEMNED_NEXT_DOOR.do(greet())
    differing = identify(marked(serial=NEAR), second="B0471")
    given.when(differing).is_refused_for("identify.readings-differ", "identify.cannot-tell-apart")
    chosen = given.when(identify(marked(serial=NEAR), second="B0471", chosen=KNOWN)).makes(
        f.CylinderIdentified
    )
    assert chosen[0].subject == f"cylinder/{KNOWN}"


def test_a_record_that_is_no_look_alike_cannot_be_chosen() -> None:
    KNOWN_HERE.do(greet()).when(identify(marked(serial="X999"), chosen=KNOWN)).is_refused_for(
        "identify.chosen-unknown"
    )


def test_choosing_a_clear_look_alike_does_not_get_past_a_condemned_one() -> None:
    beside = registered(OTHER, marked(serial="B0477"))
    given = Given((registered(), condemned(), beside)).do(greet())
    keyed = marked(serial="B0472")
    given.when(identify(keyed, chosen=OTHER)).is_refused_for("identify.second-reading")
    given.when(identify(keyed, chosen=OTHER, second="B0472")).is_refused_for("identify.cannot-tell-apart")


def test_a_clear_record_beside_a_condemned_look_alike_is_read_twice() -> None:
    given = Given((registered(), condemned(), registered(OTHER, marked(serial=NEAR)))).do(greet())
    given.when(identify(marked(serial=NEAR))).is_refused_for("identify.second-reading")
    made = given.when(identify(marked(serial=NEAR), second=NEAR)).makes(f.CylinderIdentified)
    assert made[0].subject == f"cylinder/{OTHER}"


def test_a_known_serial_with_other_marks_is_read_twice() -> None:
    given = KNOWN_HERE.do(greet())
    other_type = marked(spec="ISO 7866")
    given.when(identify(other_type)).is_refused_for("identify.marks-differ")
    given.when(identify(other_type, second="B0471")).makes(f.CylinderIdentified)


def test_a_cylinder_that_is_here_under_another_tag_is_refused() -> None:
    given = KNOWN_HERE.do(greet(GasWanted(), GasWanted()), identify())
    given.when(identify(visit_id=SECOND_VISIT)).is_refused_for("identify.here-already")


def test_an_unknown_type_and_a_first_test_ahead_of_today_are_refused_together() -> None:
    keyed = marked(spec="4Q", first_test="2026-07")
    Given().do(greet()).when(identify(keyed)).is_refused_for(
        "identify.spec-unknown", "identify.first-test-ahead"
    )


@pytest.mark.parametrize("serial", ["   ", "", "--", "./"])
def test_a_serial_of_spaces_is_no_serial(serial: str) -> None:
    with pytest.raises(ValidationError):
        marked(serial=serial)


@pytest.mark.parametrize("month", ["2024-13", "2024-00", "2024-6", "24-06", ""])
def test_a_month_13_is_no_month(month: str) -> None:
    with pytest.raises(ValidationError):
        marked(first_test=month)


def test_a_visit_that_does_not_exist_is_refused() -> None:
    Given().when(identify()).is_refused_for("visit.unknown")


def test_taking_back_which_cylinder_it_is_asks_for_two_readings_of_the_next_answer() -> None:
    given = CONDEMNED_NEXT_DOOR.do(greet(), identify(), reopen("identify"))
    keyed = marked(serial="X999")
    given.when(identify(keyed)).is_refused_for("identify.second-reading")
    made = given.when(identify(keyed, second="X999")).makes(f.CylinderRegistered, f.CylinderIdentified)
    identified = made[1].fact
    assert isinstance(identified, f.CylinderIdentified)
    assert KNOWN in identified.told_apart_from


def test_the_same_answer_again_needs_no_second_reading() -> None:
    up_to("outside").do(reopen("identify")).when(identify()).makes(f.CylinderIdentified)


def test_taking_back_which_cylinder_it_is_does_not_let_an_operator_lift_its_hold() -> None:
    given = up_to("outside").do(hold_it(), reopen("identify"))
    given.when(identify(marked(serial="X999"), second="X999")).is_refused_for("visit.held")
    given.when(resume()).is_refused_for("bench.inspector")


def test_a_hold_before_the_cylinder_is_known_is_answered_by_an_inspector_only() -> None:
    given = Given().do(greet(), hold_it("No marks to be read"))
    assert given.facts[-1].subject == f"visit/{VISIT}"
    given.when(identify()).is_refused_for("visit.held")
    given.when(resume()).is_refused_for("bench.inspector")
    given.by(INSPECTOR).when(resume()).makes(f.VisitResumed)


def test_certification_cannot_be_taken_back_alone() -> None:
    up_to("outside").when(reopen("certification")).is_refused_for("reopen.certification")


def test_a_cylinder_is_put_on_record_at_the_bench_without_a_visit() -> None:
    register = c.Register(key=an_id("register"), marks=MARKS)
    Given().when(register).makes(f.CylinderRegistered)
    KNOWN_HERE.when(register).is_refused_for("register.known")
    CONDEMNED_NEXT_DOOR.when(register.model_copy(update={"marks": marked(serial=NEAR)})).is_refused_for(
        "identify.second-reading"
    )


def test_a_held_look_alike_asks_for_a_second_reading_too() -> None:
    Given((registered(), held())).do(greet()).when(identify(marked(serial=NEAR))).is_refused_for(
        "identify.second-reading"
    )


@pytest.mark.parametrize("keyed", ["471", "0471", "AB0471"])
def test_a_head_that_was_left_out_or_put_in_before_a_condemned_serial_asks_for_a_second_reading(
    keyed: str,
) -> None:
    bad = Given((registered(), condemned())).do(greet())
    bad.when(identify(marks=marked(serial=keyed))).is_refused_for("identify.second-reading")
    again = identify(marks=marked(serial=keyed), second=keyed)
    bad.when(again).is_refused_for("identify.cannot-tell-apart")
    another = identify(marked(serial=keyed, first_test="2011-02"), second=keyed)
    bad.when(another).makes(f.CylinderRegistered, f.CylinderIdentified)
