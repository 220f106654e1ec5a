"""At the bench: inspections, requalification, reject, condemn, and answering a hold.

Bad news is always accepted from whoever may give it; good news needs an inspector in date, and names
the exact blocks that it lifts.
"""

from __future__ import annotations

import datetime as dt
from typing import assert_never

from cylinder import commands as c
from cylinder.around import Around
from cylinder.clearing import may_clear
from cylinder.decide.gates import inspector_reasons, proof_reasons, specs_claimed
from cylinder.facts import (
    Condemned,
    Fact,
    HoldPlaced,
    HoldReleased,
    OwnerNotified,
    Rejected,
    RenderedUnusable,
    Requalified,
    VisualFailed,
    VisualPassed,
    on_evidence,
)  # fmt: skip
from cylinder.near import bare
from cylinder.recorded import NewFact, cylinder_subject
from cylinder.refusal import Reason, Refused, reason_of, refuse_if
from cylinder.standing import Standing
from rulebook import Criterion, condemn_criteria, judge_expansion, reject_criteria

OLDEST_PERFORMED_DAYS = 31
"""Work older than this needs evidence of its day; it is kept with the judgement and shown."""

_UNSAID = ("none", "not read")
_Judgement = c.PassVisual | c.FailVisual | c.Requalify | c.Reject | c.Condemn | c.MakeUnusable


def judge(command: c.BenchCommand, around: Around) -> tuple[NewFact, ...]:
    """Record a judgement of the bench. Raises Refused."""
    standing = _known(command, around)
    match command:
        case c.PlaceHold():
            return (_fact(command, HoldPlaced(reason=command.reason), around),)
        case c.ReleaseHold():
            return _release(command, standing, around)
        case c.NotifyOwner():
            if command.block_id not in {block.id for block in standing.blocks}:
                raise Refused(
                    [Reason("notify.unknown-block", "There is no such record against this cylinder.")]
                )
            return (_fact(command, OwnerNotified(about=command.block_id, how=command.how), around),)
        case c.PassVisual():
            _check_inspector(command, around, standing)
            passed = VisualPassed(
                findings=command.findings, rated=command.rated, certificate=around.actor.certificate
            )
            return _good_news(command, passed, standing, around)
        case c.FailVisual():
            _check_inspector(command, around)
            failed = VisualFailed(findings=command.findings, certificate=around.actor.certificate)
            return (_fact(command, failed, around),)
        case c.Requalify():
            return _requalify(command, standing, around)
        case c.Reject():
            return _reject(command, around)
        case c.Condemn():
            return _condemn(command, standing, around)
        case c.MakeUnusable():
            _check_inspector(command, around)
            return (_fact(command, RenderedUnusable(how=command.how), around),)
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


def _requalify(command: c.Requalify, standing: Standing, around: Around) -> tuple[NewFact, ...]:
    _check_inspector(command, around, standing)
    total, permanent = command.total_expansion_cc, command.permanent_expansion_cc
    is_measured = total is not None or permanent is not None
    if is_measured or command.method.startswith("hydrostatic"):
        _check_expansion(total, permanent, standing, around)
    done = Requalified(
        method=command.method,
        total_expansion_cc=total,
        permanent_expansion_cc=permanent,
        requalifier=command.requalifier,
        rated=command.rated,
    )
    return _good_news(command, done, standing, around)


def _check_expansion(
    total_cc: float | None, permanent_cc: float | None, standing: Standing, around: Around
) -> None:
    """Two expansions that belong together, within the limit of every type that this cylinder was said to be."""
    if total_cc is None or permanent_cc is None:
        raise Refused(
            [Reason("requalify.expansion", "A hydrostatic test needs its total and permanent expansion.")]
        )
    if permanent_cc > total_cc:
        raise Refused([Reason("requalify.expansion", "Permanent expansion cannot be larger than the total.")])
    specs = specs_claimed(around.rules, standing.marks) or (standing.marks[0].spec,)
    found = [
        finding
        for spec in specs
        for finding in judge_expansion(around.rules, spec, total_cc=total_cc, permanent_cc=permanent_cc)
    ]
    refuse_if(reason_of(finding) for finding in dict.fromkeys(found) if finding.bearing != "tell")


def _reject(command: c.Reject, around: Around) -> tuple[NewFact, ...]:
    _check_inspector(command, around)
    criterion = _criterion(
        command.criterion_id, (*reject_criteria(around.rules), *condemn_criteria(around.rules))
    )
    rejected = Rejected(
        reason=command.reason,
        criterion_id=criterion.id,
        clause=_clause(criterion),
        certificate=around.actor.certificate,
    )
    return (_fact(command, rejected, around),)


def _condemn(command: c.Condemn, standing: Standing, around: Around) -> tuple[NewFact, ...]:
    _check_inspector(command, around)
    criterion = _criterion(command.criterion_id, condemn_criteria(around.rules))
    serials = [marks.serial for marks in standing.marks]
    serial = next((one for one in serials if bare(one)[-4:] == bare(command.last_four)[-4:]), None)
    if serial is None or not bare(command.last_four):
        raise Refused(
            [
                Reason(
                    "condemn.last-four",
                    f"{command.last_four or 'Nothing'} is not the end of this record's serial. Read the metal again: "
                    "is this the cylinder on the screen?",
                )
            ]
        )
    condemned = Condemned(
        reason=command.reason,
        criterion_id=criterion.id,
        criterion=criterion.words,
        clause=_clause(criterion),
        serial_read=serial,
        certificate=around.actor.certificate,
    )
    return (_fact(command, condemned, around),)


def _known(command: c.BenchCommand, around: Around) -> Standing:
    found = around.standing
    if found is None or not found.marks or found.cylinder_id != command.cylinder_id:
        raise Refused([Reason("bench.unknown", "There is no such cylinder on record. Key its marks first.")])
    return found


def _check_inspector(command: _Judgement, around: Around, standing: Standing | None = None) -> None:
    """An inspector whose certificate is good, a day that can be; `standing` is given where good news is to be recorded."""
    reasons = list(inspector_reasons(around))
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
    refuse_if(reasons)


def _good_news(
    command: c.PassVisual | c.Requalify, done: Fact, standing: Standing, around: Around
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


def _criterion(criterion_id: str, among: tuple[Criterion, ...]) -> Criterion:
    found = next((one for one in among if one.id == criterion_id), None)
    if found is None:
        raise Refused([Reason("bench.criterion", "Choose the criterion that the finding meets.")])
    return found


def _clause(criterion: Criterion) -> str:
    """Where the criterion is written. A pack says "none" or "not read" where it has no clause or edition to give."""
    place = " ".join(part for part in (criterion.source, criterion.clause) if part not in _UNSAID)
    return ", ".join(part for part in (place, criterion.edition) if part and part not in _UNSAID)[:200]


def _fact(command: c.BenchCommand, fact: Fact, around: Around) -> NewFact:
    performed_on = getattr(command, "performed_on", around.today)
    fact = on_evidence(fact, getattr(command, "evidence", ""))
    return NewFact(fact, cylinder_subject(command.cylinder_id), performed_on)
