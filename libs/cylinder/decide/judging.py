"""What every judgement of the bench shares: who may give it, of which day, what it lifts by name, where it is written.

Bad news needs an inspector and a day that can be; good news also that every node will count it.
"""

from __future__ import annotations

import datetime as dt
from typing import Protocol

from cylinder import commands as c
from cylinder.around import Around
from cylinder.clearing import may_clear
from cylinder.decide.gates import inspector_reasons, proof_reasons
from cylinder.facts import CertifiedWork, Fact, on_evidence
from cylinder.near import bare
from cylinder.recorded import NewFact, cylinder_subject
from cylinder.refusal import Reason, Refused, refuse_if
from cylinder.standing import Standing
from rulebook import Criterion

OLDEST_PERFORMED_DAYS = 31
"""Work older than this needs evidence of its day; it is kept with the judgement and shown."""

_UNSAID = ("none", "not read")


class Dated(Protocol):
    """A judgement: of which day, and what shows the day."""

    @property
    def performed_on(self) -> dt.date: ...
    @property
    def evidence(self) -> str: ...


def judging_reasons(
    command: Dated, around: Around, standing: Standing | None = None, *, work: CertifiedWork | None = None
) -> list[Reason]:
    """An inspector whose certificate is good, a day that can be; `standing` is given where good news is to be recorded.

    `work` is what the good news comes of: a certificate for something else does not cover it. Bad news needs none.
    """
    reasons = list(inspector_reasons(around))
    covers = around.actor.covers
    if work is not None and not reasons and covers is not None and work not in covers:
        reasons.append(
            Reason(
                "bench.certificate-kind",
                f"Certificate {around.actor.certificate} is for {' and '.join(sorted(covers)) or 'nothing'}; "
                f"this needs one for {work}.",
            )
        )
    on = command.performed_on
    if on > around.today:
        reasons.append(Reason("bench.day-ahead", f"{on:%d %B %Y} lies ahead of today."))
    if on < around.today - dt.timedelta(days=OLDEST_PERFORMED_DAYS) and not command.evidence:
        reasons.append(
            Reason(
                "bench.day-old",
                f"{on:%d %B %Y} is more than {OLDEST_PERFORMED_DAYS} days ago; that needs evidence: say what shows the day.",
            )
        )
    if standing is not None and not reasons:
        reasons += proof_reasons(around, on)
    if standing is not None:
        reasons += [
            Reason(
                "bench.for-good",
                f"{block.words} on {block.performed_on:%d %B %Y} at {block.node}: no inspection or test restores it.",
                source="49 CFR 180.203",
                edition="2015 annual edition",
            )
            for block in standing.blocks
            if block.is_for_good
        ]
    return reasons


def check_inspector(
    command: Dated, around: Around, standing: Standing | None = None, *, work: CertifiedWork | None = None
) -> None:
    """The same, refused at once."""
    refuse_if(judging_reasons(command, around, standing, work=work))


def good_news(
    command: c.PassVisual | c.Inspect | c.Requalify, done: Fact, standing: Standing, around: Around
) -> tuple[NewFact, ...]:
    """The judgement on every record of this cylinder, each naming the blocks that it lifts there.

    It names the links as well by which those records are one: should one prove wrong, what was found out about this
    metal says nothing about the other. Work done before the day of a finding cannot answer it.
    """
    fact = on_evidence(done, command.evidence)
    return tuple(
        NewFact(
            fact,
            cylinder_subject(record),
            command.performed_on,
            clears=(
                *(
                    block.id
                    for block in standing.blocks
                    if record in (block.on or (command.cylinder_id,))
                    and block.performed_on <= command.performed_on
                    and may_clear(block.kind, fact.KIND, around.actor.role)
                ),
                *standing.links,
            ),
        )
        for record in (command.cylinder_id, *standing.linked)
    )


def criterion_of(criterion_id: str, among: tuple[Criterion, ...]) -> Criterion:
    """The criterion that was chosen. Raises Refused when it is none of these."""
    found = next((one for one in among if one.id == criterion_id), None)
    if found is None:
        raise Refused([Reason("bench.criterion", "Choose the criterion that the finding meets.")])
    return found


def clause_of(criterion: Criterion) -> str:
    """Where the criterion is written. A pack says "none" or "not read" where it has no clause or edition to give."""
    place = " ".join(part for part in (criterion.source, criterion.clause) if part not in _UNSAID)
    return ", ".join(part for part in (place, criterion.edition) if part and part not in _UNSAID)[:200]


def serial_read(last_four: str, standing: Standing) -> str:
    """The serial on record that ends in what was keyed off the metal. Raises Refused when none does."""
    serials = [marks.serial for marks in standing.marks]
    serial = next((one for one in serials if bare(one)[-4:] == bare(last_four)[-4:]), None)
    if serial is None or not bare(last_four):
        raise Refused(
            [
                Reason(
                    "condemn.last-four",
                    f"{last_four or 'Nothing'} is not the end of this record's serial. Read the metal again: "
                    "is this the cylinder on the screen?",
                )
            ]
        )
    return serial


def of_the_bench(command: c.BenchCommand, fact: Fact, around: Around) -> NewFact:
    """A fact of the cylinder that the command names, on its day and with what shows it."""
    performed_on = getattr(command, "performed_on", around.today)
    fact = on_evidence(fact, getattr(command, "evidence", ""))
    return NewFact(fact, cylinder_subject(command.cylinder_id), performed_on)
