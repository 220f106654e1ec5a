"""A shoulder typed as it stands: kept in the fact, compared with what is keyed beside it, and a block where it is condemned."""

from __future__ import annotations

from tests.cylinder.given import (
    INSPECTOR,
    KNOWN,
    MARKS,
    VISIT,
    Given,
    an_id,
    greet,
    look_over,
    marked,
    psi,
    read_dates,
    read_rating,
    registered,
    reopen,
    resume,
    see_standing,
    up_to,
)

from cylinder import commands as c
from cylinder import facts as f
from cylinder.marks import Marks

SHOULDER = "dot-3al 3000\r\nsn b0471 mfr lx\r\nmade 2019-03"


def typed(text: str, marks: Marks = MARKS) -> c.Identify:
    return c.Identify(key=an_id("identify"), visit_id=VISIT, marks=marks, shoulder=text)


def at_the_rating(text: str = SHOULDER) -> Given:
    return Given((registered(),)).do(greet(), typed(text), look_over(), read_dates())


def test_what_was_typed_is_kept_as_it_stands_with_its_one_way_of_writing() -> None:
    made = Given((registered(),)).do(greet()).when(typed(SHOULDER)).makes(f.CylinderIdentified)
    kept = made[0].fact
    assert isinstance(kept, f.CylinderIdentified)
    assert kept.shoulder is not None
    assert kept.shoulder.text == SHOULDER
    assert kept.shoulder.canonical == "DOT-3AL3000; SN:B0471 MFR:LX MADE 2019-03"


def test_what_was_typed_is_read_back_from_the_log_as_it_was() -> None:
    kept = typed(SHOULDER)
    made = Given((registered(),)).do(greet()).when(kept).makes(f.CylinderIdentified)[0].fact
    stored = made.model_dump(mode="json")
    assert f.CylinderIdentified.model_validate(stored) == made


def test_nothing_typed_is_stored_as_it_ever_was() -> None:
    made = Given((registered(),)).do(greet()).when(typed("  \n ")).makes(f.CylinderIdentified)
    assert "shoulder" not in made[0].fact.model_dump(mode="json")


def test_a_serial_keyed_otherwise_than_typed_is_refused_with_every_difference() -> None:
    given = Given().do(greet())
    other = marked(serial="B0477", spec="3AA", first_test="2019-04")
    refused = given.when(typed(SHOULDER, other)).is_refused_for("identify.shoulder-differs")
    assert len(refused) == 3


def test_a_stamp_that_cannot_be_is_refused_with_the_signs_it_points_at() -> None:
    refused = Given().do(greet()).when(typed(SHOULDER + "\nTEST 2031-05"))
    assert "2031" in refused.words
    assert all(one.rule_id.startswith("stamp.") for one in refused.reasons)


def test_a_condemned_mark_blocks_the_cylinder_in_every_shop_whatever_else_was_read() -> None:
    for mark in ("CONDEMNED", "XXXXX", "c0ndemned"):
        given = Given((registered(),)).do(greet())
        made = given.when(typed(f"{mark} {SHOULDER}")).makes(f.CylinderIdentified, f.HoldPlaced, f.VisitHeld)
        assert made[1].subject == f"cylinder/{KNOWN}"
        after = given.do(typed(f"{mark} {SHOULDER}"))
        assert not after.standing().is_clear
        after.when(look_over()).is_refused_for("standing.cylinder.hold_placed", "visit.held")


def test_a_lifted_hold_does_not_let_a_condemned_mark_pass() -> None:
    given = Given((registered(),)).do(greet(), typed(f"CONDEMNED {SHOULDER}")).by(INSPECTOR).do(resume())
    after = given.do(look_over(), read_dates(), read_rating())
    assert "us.condemned.never" in {one.rule_id for one in after.when(see_standing()).reasons}


def test_a_permit_without_its_number_is_refused() -> None:
    given = Given().do(greet())
    given.when(typed("", marked(spec="SP"))).is_refused_for("identify.permit-number")


def test_the_rating_keyed_is_compared_with_the_shoulder_typed_in_this_visit() -> None:
    made = at_the_rating().when(read_rating(psi(3300))).makes(f.RatingRead, f.HoldPlaced, f.VisitHeld)
    read = made[0].fact
    assert isinstance(read, f.RatingRead)
    assert not read.agrees
    assert "3300 psi keyed here, 3000 psi typed off the same shoulder" in made[2].fact.model_dump()["why"]
    at_the_rating().when(read_rating()).makes(f.RatingRead)


def test_a_lifted_hold_does_not_settle_two_ratings_of_one_shoulder() -> None:
    after = at_the_rating().do(read_rating(psi(3300))).by(INSPECTOR).do(resume())
    assert "rating.differs-from-shoulder" in {one.rule_id for one in after.when(see_standing()).reasons}


def test_a_shoulder_of_an_earlier_visit_says_nothing_here() -> None:
    """UX: the rating is keyed off the stamp on every visit; nothing known fills it in."""
    assert up_to("rating").visit().shoulder is None
    taken_back = at_the_rating().do(reopen("identify"))
    assert taken_back.visit().shoulder is None
