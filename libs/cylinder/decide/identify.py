"""Which cylinder is it? The marks as keyed, against everything on record that looks like them."""

from __future__ import annotations

from uuid import UUID

from cylinder.around import Around, LookAlike
from cylinder.commands import Identify, Register
from cylinder.facts import CylinderIdentified, CylinderRegistered
from cylinder.marks import Marks
from cylinder.near import bare
from cylinder.recorded import NewFact, cylinder_subject, derived_id
from cylinder.refusal import Reason, Refused, refuse_if
from cylinder.visit import Visit
from rulebook import YearMonth, spec_known


def identify(state: Visit, command: Identify, around: Around) -> tuple[NewFact, ...]:
    """Find the record, or open one. A look-alike that is blocked asks for a second reading first."""
    refuse_if(_marks_that_cannot_be(command.marks, around))
    same = _same(command.marks, around.look_alikes)
    told_apart: tuple[UUID, ...] = ()
    if same is None and command.chosen is not None:
        same = next((one for one in around.look_alikes if one.cylinder_id == command.chosen), None)
        if same is None:
            raise Refused(
                [Reason("identify.chosen-unknown", "The chosen record is not among the look-alikes.")]
            )
    if same is None:
        told_apart = _tell_apart(command, around)
    cylinder_id = same.cylinder_id if same else derived_id(command.key, "cylinder")
    identified = CylinderIdentified(
        visit_id=state.id,
        marks=command.marks,
        was_known=same is not None,
        second_reading=command.second_serial is not None,
        told_apart_from=told_apart,
    )
    subject = cylinder_subject(cylinder_id)
    facts = [NewFact(identified, subject, around.today, diver_ref=state.diver_ref)]
    if same is None:
        facts.insert(0, NewFact(CylinderRegistered(marks=command.marks), subject, around.today))
    return tuple(facts)


def register(command: Register, around: Around) -> tuple[NewFact, ...]:
    """Put a cylinder on record without a visit; refused when it is on record already."""
    refuse_if(_marks_that_cannot_be(command.marks, around))
    same = _same(command.marks, around.look_alikes)
    if same is not None:
        raise Refused([Reason("register.known", "This cylinder is on record already.")])
    as_visit = Identify(
        key=command.key,
        visit_id=command.key,
        marks=command.marks,
        second_serial=command.second_serial,
        is_another=command.is_another,
    )
    _tell_apart(as_visit, around)
    subject = cylinder_subject(derived_id(command.key, "cylinder"))
    return (NewFact(CylinderRegistered(marks=command.marks), subject, around.today),)


def _same(marks: Marks, look_alikes: tuple[LookAlike, ...]) -> LookAlike | None:
    """The record with this very serial and maker. A serial alone is shared by makers, so it is not enough."""
    return next(
        (
            one
            for one in look_alikes
            if one.likeness.distance == 0
            and any(_is_same(marks, claim) for claim in (one.marks, *one.standing.marks))
        ),
        None,
    )


def _is_same(one: Marks, other: Marks) -> bool:
    return bare(one.serial) == bare(other.serial) and one.maker == other.maker


def _tell_apart(command: Identify, around: Around) -> tuple[UUID, ...]:
    """The ids of the look-alikes that this cylinder is not. Raises Refused until that is certain."""
    bad = [one for one in around.look_alikes if not one.standing.is_clear]
    reasons: list[Reason] = []
    for one in bad:
        reasons += _doubts(command, one)
    good = [one for one in around.look_alikes if one.standing.is_clear]
    if good and not command.is_another and not bad:
        listed = "; ".join(f"{one.marks.serial} ({one.likeness.why})" for one in good)
        reasons.append(
            Reason("identify.look-alike", f"On record are: {listed}. Is it one of these, or another?")
        )
    refuse_if(reasons)
    return tuple(one.cylinder_id for one in around.look_alikes)


def _doubts(command: Identify, one: LookAlike) -> list[Reason]:
    block = one.standing.blocks[0]
    named = f"{one.marks.serial} is {block.words.lower()} ({one.likeness.why})"
    if command.second_serial is None:
        return [
            Reason(
                "identify.second-reading",
                f"{named}. Read the serial again, off the metal, and key it afresh.",
            )
        ]
    if bare(command.second_serial) != bare(command.marks.serial):
        return [
            Reason(
                "identify.readings-differ",
                f"The two readings differ: {command.marks.serial} and {command.second_serial}.",
            )
        ]
    if not _differs_elsewhere(command.marks, one.marks):
        return [
            Reason(
                "identify.cannot-tell-apart",
                f"{named}, and maker, type and first test are the same. They cannot be told apart: do not fill, hold it.",
            )
        ]
    return []


def _differs_elsewhere(marks: Marks, other: Marks) -> bool:
    return (marks.maker, marks.spec, marks.first_test) != (other.maker, other.spec, other.first_test)


def _marks_that_cannot_be(marks: Marks, around: Around) -> list[Reason]:
    reasons: list[Reason] = []
    if spec_known(around.rules, marks.spec) is None:
        reasons.append(
            Reason(
                "identify.spec-unknown",
                f"{marks.spec} is not a type in this rulebook. Read it again, or hold it.",
            )
        )
    if YearMonth.parse(marks.first_test) > YearMonth(around.today.year, around.today.month):
        reasons.append(
            Reason("identify.first-test-ahead", f"A first test in {marks.first_test} lies ahead of today.")
        )
    return reasons
