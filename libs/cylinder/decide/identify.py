"""Which cylinder is it? The marks as keyed, against everything on record that looks like them."""

from __future__ import annotations

from collections.abc import Iterator
from uuid import UUID

from cylinder.around import Around, LookAlike
from cylinder.commands import Identify, Register
from cylinder.decide import shoulder
from cylinder.facts import CylinderIdentified, CylinderRegistered, HoldPlaced, VisitHeld
from cylinder.marks import Marks
from cylinder.near import bare, skeleton
from cylinder.recorded import NewFact, cylinder_subject, derived_id
from cylinder.refusal import Reason, refuse_if
from cylinder.stamps import read_stamps
from cylinder.visit import Visit
from rulebook import YearMonth, spec_known


def identify(state: Visit, command: Identify, around: Around) -> tuple[NewFact, ...]:
    """Find the record, or open one. A look-alike that is blocked asks for a second reading first."""
    exact = same_marks(command.marks, around.look_alikes)
    chosen = next((one for one in around.look_alikes if one.cylinder_id == command.chosen), None)
    same = exact or chosen
    refuse_if(
        [
            *impossible(command.marks, around),
            *_shoulder_against(command, around),
            *_chosen_unknown(command, same),
            *_here_already(state, same, around),
            *_doubts(command, around, same=same, is_exact=exact is not None, before=state.identified_before),
        ]
    )
    cylinder_id = same.cylinder_id if same else derived_id(command.key, "cylinder")
    identified = CylinderIdentified(
        visit_id=state.id,
        marks=command.marks,
        was_known=same is not None,
        second_reading=command.second_serial is not None,
        told_apart_from=_told_apart(cylinder_id, same, around, before=state.identified_before),
        shoulder=shoulder.shoulder_of(command.shoulder, around.today),
    )
    subject = cylinder_subject(cylinder_id)
    facts = [NewFact(identified, subject, around.today, diver_ref=state.diver_ref)]
    if same is None:
        facts.insert(0, NewFact(CylinderRegistered(marks=command.marks), subject, around.today))
    return (*facts, *_condemned_by_its_marks(state, command, subject, around))


def register(command: Register, around: Around) -> tuple[NewFact, ...]:
    """Put a cylinder on record without a visit; refused when it is on record already."""
    same = same_marks(command.marks, around.look_alikes)
    known = [Reason("register.known", "This cylinder is on record already.")] if same is not None else []
    doubts = [] if same is not None else _doubts(command, around, same=None, is_exact=False, before=())
    refuse_if([*impossible(command.marks, around), *known, *doubts])
    subject = cylinder_subject(derived_id(command.key, "cylinder"))
    return (NewFact(CylinderRegistered(marks=command.marks), subject, around.today),)


def same_marks(marks: Marks, look_alikes: tuple[LookAlike, ...]) -> LookAlike | None:
    """The record with this very serial and maker. A serial alone is shared by makers, so it is not enough.

    Where two shops have put the same cylinder on record twice, the record with the worst against it is the one.
    """
    found = [
        one
        for one in look_alikes
        if any(_is_same(marks, claim) for claim in (one.marks, *one.standing.marks))
    ]
    return min(
        found,
        key=lambda one: (not one.standing.is_condemned, one.standing.is_clear, one.cylinder_id),
        default=None,
    )


def _is_same(one: Marks, other: Marks) -> bool:
    return bare(one.serial) == bare(other.serial) and bare(one.maker) == bare(other.maker)


def _chosen_unknown(command: Identify, same: LookAlike | None) -> Iterator[Reason]:
    if command.chosen is not None and same is None:
        yield Reason("identify.chosen-unknown", "The chosen record is not among the look-alikes.")


def _here_already(state: Visit, same: LookAlike | None, around: Around) -> Iterator[Reason]:
    for other in around.open_visits:
        is_it = same is not None and other.cylinder_id == same.cylinder_id
        if is_it and other.id != state.id and other.is_open:
            yield Reason(
                "identify.here-already",
                f"It is here already, under tag {other.tag}. A cylinder has one visit at a time: read the marks again.",
            )


def _doubts(
    command: Identify | Register,
    around: Around,
    *,
    same: LookAlike | None,
    is_exact: bool,
    before: tuple[UUID, ...],
) -> Iterator[Reason]:
    """Why it is not certain yet which cylinder this is.

    Found to be one that is blocked, there is nothing to doubt: it is stopped. Found on record and clear,
    a blocked look-alike asks for a second reading; otherwise the marks have to tell the two apart as well.
    """
    is_blocked = same is not None and not same.standing.is_clear
    if is_blocked and not is_exact:
        return  # Somebody says that it is the blocked one: whatever was read before, it is stopped.
    yield from _readings_differ(command)
    if is_blocked:
        return
    for one in around.look_alikes:
        if one is not same and not one.standing.is_clear:
            yield from _may_be(command, one, around, by_marks=not is_exact)
    if command.second_serial is None:
        yield from _changed(command, same, around, is_exact=is_exact, before=before)
    # Serials of one batch differ by one sign, so a slip from a clear record is no reason to ask; misread signs are.
    good = [one for one in around.look_alikes if one.standing.is_clear and one.likeness.distance <= 1]
    if same is None and good and not command.is_another:
        listed = "; ".join(f"{one.marks.serial} ({one.likeness.why})" for one in good)
        yield Reason("identify.look-alike", f"On record are: {listed}. Is it one of these, or another?")


def _readings_differ(command: Identify | Register) -> Iterator[Reason]:
    second = command.second_serial
    if second is not None and bare(second) != bare(command.marks.serial):
        yield Reason(
            "identify.readings-differ", f"The two readings differ: {command.marks.serial} and {second}."
        )


def _may_be(
    command: Identify | Register, one: LookAlike, around: Around, *, by_marks: bool
) -> Iterator[Reason]:
    """Why this may be the blocked cylinder `one`."""
    if command.second_serial is None:
        yield Reason(
            "identify.second-reading",
            f"{_named(one)}. Read the serial again, off the metal, and key it afresh.",
        )
        return
    if by_marks:
        yield from cannot_tell_apart(command.marks, one, around)


def cannot_tell_apart(marks: Marks, one: LookAlike, around: Around) -> Iterator[Reason]:
    """No mark besides the serial tells these marks from a blocked record."""
    if not all(_differs(marks, claim, around) for claim in (one.marks, *one.standing.marks)):
        yield Reason(
            "identify.cannot-tell-apart",
            f"{_named(one)}, and maker, type and first test are the same. They cannot be told apart: do not fill, hold it.",
        )


def _named(one: LookAlike) -> str:
    return f"{one.marks.serial} is {one.standing.blocks[0].words.lower()} ({one.likeness.why})"


def _changed(
    command: Identify | Register,
    same: LookAlike | None,
    around: Around,
    *,
    is_exact: bool,
    before: tuple[UUID, ...],
) -> Iterator[Reason]:
    """An answer that contradicts an earlier one is read twice: the visit's own, or the record's other marks."""
    if before and (same is None or same.cylinder_id not in before):
        yield Reason(
            "identify.second-reading",
            "This visit was another cylinder before. Read the serial again, off the metal, and key it afresh.",
        )
    elif same is not None and is_exact:
        claims = (same.marks, *same.standing.marks)
        if all(_differs(command.marks, claim, around) for claim in claims):
            yield Reason(
                "identify.marks-differ",
                f"On record {same.marks.serial} is {same.marks.spec}, first test {same.marks.first_test}. "
                "Read the marks again, off the metal, and key the serial afresh.",
            )


def _differs(one: Marks, other: Marks, around: Around) -> bool:
    """Whether a mark besides the serial tells these apart. Blank, misread or spelled otherwise is no difference."""
    makers = skeleton(one.maker), skeleton(other.maker)
    specs = spec_known(around.rules, one.spec), spec_known(around.rules, other.spec)
    if (all(makers) and makers[0] != makers[1]) or (all(specs) and specs[0] != specs[1]):
        return True
    return one.first_test != other.first_test


def _told_apart(
    cylinder_id: UUID, same: LookAlike | None, around: Around, *, before: tuple[UUID, ...]
) -> tuple[UUID, ...]:
    """The cylinders that this one might have been and is not: blocked look-alikes, for a new record all of them."""
    others = [
        one.cylinder_id
        for one in around.look_alikes
        if same is None or (same.standing.is_clear and not one.standing.is_clear)
    ]
    return tuple(dict.fromkeys(one for one in (*others, *before) if one != cylinder_id))


def _shoulder_against(command: Identify, around: Around) -> Iterator[Reason]:
    """What the shoulder typed beside the marks says against them."""
    if command.shoulder.strip():
        reading = read_stamps(command.shoulder, today=around.today)
        yield from shoulder.contradictions(command.marks, reading, around.rules)


def _condemned_by_its_marks(
    state: Visit, command: Identify, subject: str, around: Around
) -> tuple[NewFact, ...]:
    """A condemned mark blocks by itself, in every shop, whatever else was read; an inspector judges it at the bench."""
    reading = read_stamps(command.shoulder, today=around.today)
    if not reading.is_condemned:
        return ()
    why = shoulder.condemned_words(reading)
    placed = HoldPlaced(reason=why, rule_id=shoulder.CONDEMNED, visit_id=state.id)
    held = NewFact(VisitHeld(visit_id=state.id, why=why), subject, around.today, diver_ref=state.diver_ref)
    return (NewFact(placed, subject, around.today), held)


def impossible(marks: Marks, around: Around) -> list[Reason]:
    reasons: list[Reason] = []
    if spec_known(around.rules, marks.spec) is None:
        reasons.append(
            Reason(
                "identify.spec-unknown",
                f"{marks.spec} is not a type in this rulebook. Read it again, or hold it.",
            )
        )
    if shoulder.is_permit(around.rules, marks.spec) and not shoulder.permit_number(marks.spec):
        words = f"A cylinder of a special permit has its number behind {marks.spec}: key it, such as DOT-SP 12345."
        reasons.append(Reason("identify.permit-number", words))
    if YearMonth.parse(marks.first_test) > YearMonth(around.today.year, around.today.month):
        reasons.append(
            Reason("identify.first-test-ahead", f"A first test in {marks.first_test} lies ahead of today.")
        )
    return reasons
