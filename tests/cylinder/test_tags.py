"""A serial that cannot be read: tagged, photographed, held; and what happens once somebody can read it."""

from __future__ import annotations

from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.cylinder.given import (
    INSPECTOR,
    KNOWN,
    MARKS,
    OPERATOR,
    VISIT,
    Given,
    Outcome,
    a_fact,
    an_id,
    condemned,
    greet,
    registered,
)

from cylinder import commands as c
from cylinder import facts as f
from cylinder.around import Actor
from cylinder.facts import Fact
from cylinder.marks import Marks
from cylinder.near import likeness
from cylinder.recorded import Recorded
from cylinder.tags import is_tag, serial_among, tag_among, tag_of

PHOTO = "0f" * 32
TAGGED = an_id("the tagged one")
TAG = tag_of(an_id("a tap"))


def tag_it(**more: str) -> c.TagUnread:
    said = {
        "maker": "QX",
        "spec": "3AL",
        "first_test": "2019-04",
        "unread": "Ground off",
        "photo_sha256": PHOTO,
    }
    return c.TagUnread.model_validate({"key": an_id("tag it"), "visit_id": VISIT, **said, **more})


def tagged(marks: Marks = MARKS) -> tuple[Fact, ...]:
    return (
        f.CylinderRegistered(marks=marks.model_copy(update={"serial": TAG})),
        f.HoldPlaced(reason="Unread"),
    )


def reading(
    *others: Recorded, serial: str = MARKS.serial, again: str | None = None, by: Actor = INSPECTOR
) -> Outcome:
    mine = tagged()
    facts = [a_fact(one, f"tagged {n}", cylinder=TAGGED, actor=OPERATOR) for n, one in enumerate(mine)]
    command = c.ReadTagged(
        key=an_id("read it"), cylinder_id=TAGGED, serial=serial, second_serial=again or serial
    )
    return Given((*facts, *others), actor=by).when(command)


@given(st.uuids())
def test_a_tag_is_known_as_one_and_its_signs_are_read_for_no_others(key: UUID) -> None:
    tag = tag_of(key)
    assert is_tag(tag)
    assert not set(tag[5:-1]) & set("O0QDI1LS5B8Z2")
    assert Marks(serial=tag, maker="", spec="3AL", first_test="2019-04").serial == tag


@pytest.mark.parametrize("serial", ["TAG K7M3-PX9R", "K7M3-PX9R", "*TAG K7M3*", "*TAG K7M3-PX9O*"])
def test_nothing_that_could_be_stamped_is_a_tag(serial: str) -> None:
    assert not is_tag(serial)


def test_two_taps_give_two_tags_that_are_not_near_each_other() -> None:
    tags = [tag_of(UUID(int=n)) for n in range(60)]
    assert len(set(tags)) == len(tags)
    assert all(likeness(one, other) is None for one in tags for other in tags if one != other)


def test_a_cylinder_without_a_serial_is_tagged_photographed_and_held() -> None:
    made = (
        Given()
        .do(greet())
        .when(tag_it())
        .makes(f.CylinderRegistered, f.CylinderTagged, f.CylinderIdentified, f.HoldPlaced)
    )
    said = made[1].fact
    assert isinstance(said, f.CylinderTagged)
    assert (said.photo_sha256, is_tag(said.tag)) == (PHOTO, True)
    assert len({one.subject for one in made}) == 1


def test_marks_that_cannot_be_are_refused_under_a_tag_too() -> None:
    Given().do(greet()).when(tag_it(spec="9XYZ", first_test="2031-01")).is_refused_for(
        "identify.spec-unknown", "identify.first-test-ahead"
    )


def test_released_but_never_read_it_is_still_not_filled() -> None:
    held = Given().do(greet()).do(tag_it())
    unread = held.when(c.LookOver(key=an_id("look"), visit_id=VISIT, sound=True))
    assert "standing.serial-unread" in {reason.rule_id for reason in unread.reasons}


def test_the_serial_of_a_record_links_the_two_and_the_hold_counts_for_both() -> None:
    (made,) = reading(registered()).makes(f.IdentitiesLinked)
    assert isinstance(made.fact, f.IdentitiesLinked)
    assert (made.fact.other, made.subject) == (KNOWN, f"cylinder/{TAGGED}")
    assert TAG in made.fact.why


def test_a_serial_that_is_on_no_record_becomes_this_records_own() -> None:
    (made,) = reading(serial="W99137").makes(f.CylinderRegistered)
    assert isinstance(made.fact, f.CylinderRegistered)
    assert made.fact.marks.serial == "W99137"


def test_read_as_a_condemned_one_it_is_linked_with_it_and_near_one_it_is_not_believed() -> None:
    reading(registered(), condemned()).makes(f.IdentitiesLinked)
    reading(registered(), condemned(), serial="BO471").is_refused_for("identify.cannot-tell-apart")


def test_whoever_reads_is_an_inspector_and_reads_the_same_twice() -> None:
    reading(serial="W99137", again="W99138", by=OPERATOR).is_refused_for(
        "bench.inspector", "identify.readings-differ"
    )
    reading(serial=TAG).is_refused_for("tag.no-serial")
    known = a_fact(f.CylinderRegistered(marks=MARKS), "read before", cylinder=TAGGED)
    reading(known).is_refused_for("tag.read-before")


def test_a_record_whose_serial_was_read_has_no_tag_to_read_under() -> None:
    command = c.ReadTagged(key=an_id("read"), cylinder_id=KNOWN, serial="W99137", second_serial="W99137")
    Given((registered(),), actor=INSPECTOR).when(command).is_refused_for("tag.none")


@pytest.mark.parametrize(
    "keyed", [f"TAG {TAG[5:-1]}", TAG.replace("*", "").replace(" ", "").replace("-", "")]
)
def test_its_tag_keyed_where_the_serial_belongs_is_no_serial_that_was_read(keyed: str) -> None:
    again = a_fact(tagged()[0], "tagged", cylinder=TAGGED, actor=OPERATOR)
    marks = MARKS.model_copy(update={"serial": keyed})
    back = Given((again,)).do(greet()).do(c.Identify(key=an_id("which"), visit_id=VISIT, marks=marks))
    assert back.visit().cylinder_id == TAGGED
    look = c.LookOver(key=an_id("look"), visit_id=VISIT, sound=True)
    back.when(look).is_refused_for("standing.serial-unread")
    reading(serial=keyed).is_refused_for("tag.no-serial")


def test_a_claim_one_slip_from_the_tag_beside_it_is_the_tag_misread_and_no_serial() -> None:
    tag = MARKS.model_copy(update={"serial": TAG})
    slip, serial = (
        tag.model_copy(update={"serial": f"{TAG[1:-2]}A"}),
        tag.model_copy(update={"serial": "W99137"}),
    )
    assert serial_among((tag, slip)) is None
    assert serial_among((slip, tag, serial)) == serial
    assert tag_among((slip, tag)) == tag
