"""At the bench: inspections, requalification, reject, condemn, and answering a hold.

Bad news is always accepted from whoever may give it; good news needs an inspector in date, and names
the exact blocks that it lifts.
"""

from __future__ import annotations

from typing import assert_never

from cylinder import commands as c
from cylinder.around import Around
from cylinder.clearing import may_clear
from cylinder.decide.gates import inspector_reasons, proof_reasons
from cylinder.decide.inspect import inspect
from cylinder.decide.judging import (
    check_inspector,
    clause_of,
    criterion_of,
    good_news,
    of_the_bench,
    serial_read,
)
from cylinder.decide.oxygen import clean
from cylinder.decide.pressure_test import requalify
from cylinder.facts import (
    Condemned,
    HoldPlaced,
    HoldReleased,
    OwnerNotified,
    OxygenServiceEnded,
    Rejected,
    RenderedUnusable,
    VisualFailed,
    VisualPassed,
)  # fmt: skip
from cylinder.recorded import NewFact, cylinder_subject
from cylinder.refusal import Reason, Refused, refuse_if
from cylinder.standing import Standing
from rulebook import condemn_criteria, reject_criteria


def judge(command: c.BenchCommand, around: Around) -> tuple[NewFact, ...]:
    """Record a judgement of the bench. Raises Refused."""
    standing = on_record(command, around)
    match command:
        case c.Inspect():
            return inspect(command, standing, around)
        case c.CleanForOxygen():
            return clean(command, standing, around)
        case c.EndOxygenService():
            return (of_the_bench(command, OxygenServiceEnded(why=command.why), around),)
        case c.PlaceHold():
            return (of_the_bench(command, HoldPlaced(reason=command.reason), around),)
        case c.ReleaseHold():
            return _release(command, standing, around)
        case c.NotifyOwner():
            if command.block_id not in {block.id for block in standing.blocks}:
                raise Refused(
                    [Reason("notify.unknown-block", "There is no such record against this cylinder.")]
                )
            return (of_the_bench(command, OwnerNotified(about=command.block_id, how=command.how), around),)
        case c.PassVisual():
            check_inspector(command, around, standing, work="visual inspection")
            passed = VisualPassed(
                findings=command.findings, rated=command.rated, certificate=around.actor.certificate
            )
            return good_news(command, passed, standing, around)
        case c.FailVisual():
            check_inspector(command, around)
            failed = VisualFailed(findings=command.findings, certificate=around.actor.certificate)
            return (of_the_bench(command, failed, around),)
        case c.Requalify():
            return requalify(command, standing, around)
        case c.Reject():
            return _reject(command, around)
        case c.Condemn():
            return _condemn(command, standing, around)
        case c.MakeUnusable():
            check_inspector(command, around)
            return (of_the_bench(command, RenderedUnusable(how=command.how), around),)
        case _:
            assert_never(command)


def _release(command: c.ReleaseHold, standing: Standing, around: Around) -> tuple[NewFact, ...]:
    block = next((block for block in standing.blocks if block.id == command.block_id), None)
    if block is None:
        raise Refused([Reason("release.unknown", "That hold is not open any more.")])
    if not may_clear(block.kind, HoldReleased.KIND, "inspector"):
        raise Refused([Reason("release.not-a-hold", f"{block.words}: no finding at a shop lifts that.")])
    refuse_if(inspector_reasons(around))
    refuse_if(proof_reasons(around, around.today))
    released = HoldReleased(finding=command.finding)
    return tuple(
        NewFact(released, cylinder_subject(record), around.today, clears=(block.id, *standing.links))
        for record in block.on or (command.cylinder_id,)
    )


def _reject(command: c.Reject, around: Around) -> tuple[NewFact, ...]:
    check_inspector(command, around)
    criterion = criterion_of(
        command.criterion_id, (*reject_criteria(around.rules), *condemn_criteria(around.rules))
    )
    rejected = Rejected(
        reason=command.reason,
        criterion_id=criterion.id,
        clause=clause_of(criterion),
        certificate=around.actor.certificate,
    )
    return (of_the_bench(command, rejected, around),)


def _condemn(command: c.Condemn, standing: Standing, around: Around) -> tuple[NewFact, ...]:
    check_inspector(command, around)
    criterion = criterion_of(command.criterion_id, condemn_criteria(around.rules))
    serial = serial_read(command.last_four, standing)
    condemned = Condemned(
        reason=command.reason,
        criterion_id=criterion.id,
        criterion=criterion.words,
        clause=clause_of(criterion),
        serial_read=serial,
        certificate=around.actor.certificate,
    )
    return (of_the_bench(command, condemned, around),)


def on_record(command: c.BenchCommand, around: Around) -> Standing:
    found = around.standing
    if found is None or not found.marks or found.cylinder_id != command.cylinder_id:
        raise Refused([Reason("bench.unknown", "There is no such cylinder on record. Key its marks first.")])
    return found
