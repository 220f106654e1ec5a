"""A serial that cannot be read: the cylinder is tagged, photographed and held; later the serial is read and the records meet.

Marks that cannot be read must not be filled on (49 CFR 173.301(b), "legible"): a tag is a name for a record, never a
way around the metal. Must never let a tagged cylinder pass as another one that is blocked.
"""

from __future__ import annotations

from collections.abc import Iterator

from cylinder import commands as c
from cylinder.around import Around, LookAlike
from cylinder.decide.gates import inspector_reasons
from cylinder.decide.identify import cannot_tell_apart, impossible, same_marks
from cylinder.facts import (
    CylinderIdentified,
    CylinderRegistered,
    CylinderTagged,
    HoldPlaced,
    IdentitiesLinked,
)
from cylinder.marks import Marks
from cylinder.near import bare
from cylinder.recorded import NewFact, cylinder_subject, derived_id
from cylinder.refusal import Reason, refuse_if
from cylinder.tags import reads_as_tag, serial_among, tag_among, tag_of
from cylinder.visit import Visit


def tag_unread(state: Visit, command: c.TagUnread, around: Around) -> tuple[NewFact, ...]:
    """Put it on record under a tag, and hold it: an inspector has to look at the marks. Raises Refused."""
    tag = tag_of(command.key)
    marks = Marks(serial=tag, maker=command.maker, spec=command.spec, first_test=command.first_test)
    refuse_if(impossible(marks, around))
    subject = cylinder_subject(derived_id(command.key, "cylinder"))
    said = CylinderTagged(
        visit_id=state.id, tag=tag, unread=command.unread, photo_sha256=command.photo_sha256
    )
    identified = CylinderIdentified(visit_id=state.id, marks=marks, was_known=False)
    hold = HoldPlaced(reason=f"Serial cannot be read, tagged {tag}: {command.unread}"[:200])
    return (
        NewFact(CylinderRegistered(marks=marks), subject, around.today),
        NewFact(said, subject, around.today, diver_ref=state.diver_ref),
        NewFact(identified, subject, around.today, diver_ref=state.diver_ref),
        NewFact(hold, subject, around.today),
    )


def read_tagged(command: c.ReadTagged, around: Around) -> tuple[NewFact, ...]:
    """An inspector can read the serial: a record of that serial becomes one with this, or this one gets its serial.

    The hold stays until an inspector answers it. Raises Refused.
    """
    claimed = () if around.standing is None else around.standing.marks
    tagged = tag_among(claimed)
    reasons = [*inspector_reasons(around)]
    if tagged is None:
        reasons.append(Reason("tag.none", "This record goes by no tag: its serial was read before."))
    elif serial_among(claimed) is not None:
        reasons.append(
            Reason(
                "tag.read-before",
                "Its serial is on record already. An officer parts records that were linked in error.",
            )
        )
    if reads_as_tag(command.serial):
        reasons.append(
            Reason("tag.no-serial", "That is the tag. Key the serial that is stamped on the metal.")
        )
    if bare(command.serial) != bare(command.second_serial):
        words = f"The two readings differ: {command.serial} and {command.second_serial}."
        reasons.append(Reason("identify.readings-differ", words))
    refuse_if(reasons)
    assert tagged is not None
    marks = tagged.model_copy(update={"serial": command.serial})
    others = tuple(one for one in around.look_alikes if one.cylinder_id != command.cylinder_id)
    same = same_marks(marks, others)
    refuse_if(list(_may_be_blocked(marks, same, others, around)))
    subject = cylinder_subject(command.cylinder_id)
    if same is None:
        return (NewFact(CylinderRegistered(marks=marks), subject, around.today),)
    why = f"Serial now read under {tagged.serial}: {command.serial}"
    return (NewFact(IdentitiesLinked(other=same.cylinder_id, why=why), subject, around.today),)


def _may_be_blocked(
    marks: Marks, same: LookAlike | None, others: tuple[LookAlike, ...], around: Around
) -> Iterator[Reason]:
    """A blocked record that is near and that no other mark tells apart: then nobody says which one this is."""
    if same is not None:
        return
    for one in others:
        if not one.standing.is_clear:
            yield from cannot_tell_apart(marks, one, around)
