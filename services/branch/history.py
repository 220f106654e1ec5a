"""A cylinder's life in words, one line for each fact, for the people at the counter and the bench. Pure; never a diver's name."""

from __future__ import annotations

import re

from cylinder import facts as f
from cylinder.recorded import Recorded

VEILED = "a figure is hidden until it is read off this cylinder"


def line(record: Recorded, *, is_veiled: bool = False) -> str:
    """What happened. `is_veiled` hides pressures that would give the rating away before it is read."""
    if not is_veiled:
        return _line(record.fact)
    words = _veiled(record.fact) if isinstance(record.fact, _PRESSURES) else _line(record.fact)
    return _A_PRESSURE.sub("a pressure", words)  # A hold's reason may quote the rating that was read before.


_A_PRESSURE = re.compile(r"[0-9]+(?:[.][0-9]+)? (?:psi|bar)")


_PRESSURES = (
    f.CylinderIdentified,
    f.RatingRead,
    f.FillAuthorised,
    f.FillCompleted,
    f.ReadingTaken,
    f.FillAborted,
    f.SettledRead,
    f.BlendPlanned,
    f.BlendStepDone,
)


def _veiled(fact: f.Fact) -> str:
    match fact:
        case f.CylinderIdentified(marks=marks):
            return f"Identified as {marks.serial}"
        case f.RatingRead(agrees=agrees):
            return f"Rated pressure read{'' if agrees else ', not as on record or as typed'} ({VEILED})"
        case f.FillCompleted(gas=gas):
            return f"Filled with {gas.words} ({VEILED})"
        case f.FillAborted(why=why):
            return f"Fill stopped: {why}"
        case f.SettledRead():
            return "Gauge read again, cooled"
        case f.ReadingTaken():
            return "Gauge keyed during the fill"
        case f.BlendPlanned(question=question, because=because):
            return f"Blend of {question.wish.words} {'cannot go on' if because else 'planned'}"
        case f.BlendStepDone(step=step):
            return f"Blend: {f'{step.gas} added' if step.does == 'add' else 'gas let out'}, gauge keyed"
        case _:
            return "Fill started"


def _line(fact: f.Fact) -> str:
    evidence = f.evidence_of(fact)
    said = _said(fact) + _form_words(fact)
    return f"{said} [shown by: {evidence}]" if evidence else said


def _form_words(fact: f.Fact) -> str:
    """By which criteria it was judged, and where a person said otherwise than the rules proposed."""
    match fact:
        case (
            f.VisualPassed(inspection=kept)
            | f.VisualFailed(inspection=kept)
            | f.Rejected(inspection=kept)
            | f.Condemned(inspection=kept)
        ) if kept:
            met = dict.fromkeys(criterion for one in kept.found for criterion in one.criteria)
            words = f" [{kept.material}; meets {', '.join(met)}]" if met else f" [{kept.material}]"
            if kept.proposed == kept.confirmed:
                return words
            why = f": {kept.overruled_because}" if kept.overruled_because else ""
            return f"{words} The rules proposed {kept.proposed}{why}."
        case _:
            return ""


def _said(fact: f.Fact) -> str:
    match fact:
        case f.Condemned() | f.Rejected() | f.VisualFailed() | f.RenderedUnusable() | f.HoldPlaced():
            return _block(fact)
        case f.HoldReleased() | f.VisualPassed() | f.Requalified() | f.OwnerNotified():
            return _bench(fact)
        case f.OxygenCleaned() | f.OxygenServiceEnded() | f.GasFitForOxygen():
            return _bench(fact)
        case (
            f.FillAuthorised() | f.ReadingTaken() | f.FillCompleted() | f.FillAborted() | f.GasAnalysed()
            | f.ReadingsDisagreed() | f.MixTakenAsMeasured() | f.SettledRead()
        ):  # fmt: skip
            return _fill(fact)
        case f.BlendPlanned() | f.BlendStepDone() | f.BlendReadingTakenBack():
            return _blend(fact)
        case f.VisitFact():
            return _visit(fact)
        case f.Recalled() | f.Remedied() | f.ReportedStolen() | f.StolenReportClosed():
            return _network(fact)
        case f.AnnulmentProposed() | f.AnnulmentSeconded() | f.CondemnationAnnulled():
            return _annulment(fact)
        case (
            f.IdentitiesLinked()
            | f.IdentitiesSplit()
            | f.BlockAssigned()
            | f.CylinderTagged()
            | f.SetJoined()
            | f.SetParted()
        ):
            return _identity(fact)
        case f.CylinderRegistered(marks=marks):
            return f"Put on record: {marks.serial}, {marks.spec}, first test {marks.first_test}"
        case f.UnknownFact(kind=kind):
            return f"A record that this software does not know ({kind})"
        case _:
            return fact.KIND


def _block(fact: f.Fact) -> str:
    match fact:
        case f.Condemned(reason=reason, criterion=criterion, clause=clause):
            return f"Condemned: {reason}. {criterion} ({clause})"
        case f.Rejected(reason=reason, clause=clause):
            return f"Rejected: {reason} ({clause})"
        case f.VisualFailed(findings=findings):
            return f"Failed the inside look: {findings}"
        case f.RenderedUnusable(how=how):
            return f"Made unusable: {how}"
        case f.HoldPlaced(reason=reason):
            return f"Put on hold: {reason}"
        case _:
            return fact.KIND


def _bench(fact: f.Fact) -> str:
    match fact:
        case f.HoldReleased(finding=finding):
            return f"Hold released: {finding}"
        case f.VisualPassed(findings=findings):
            return f"Passed the inside look{': ' + findings if findings else ''}"
        case f.Requalified(method=method, requalifier=requalifier):
            return f"Requalified, {method}{', ' + requalifier if requalifier else ''}"
        case f.OwnerNotified(how=how):
            return f"Owner told: {how}"
        case f.OxygenCleaned(parts=parts, procedure=procedure, cleaned_by=by, until=until):
            return f"Cleaned for oxygen, {parts}: {procedure}, by {by}, good to {until}"
        case f.OxygenServiceEnded(why=why):
            return f"Not clean for oxygen any more: {why}"
        case f.GasFitForOxygen(shown_by=shown_by):
            return f"All gas of this fill is fit for oxygen service: {shown_by}"
        case _:
            return fact.KIND


def _network(fact: f.Fact) -> str:
    match fact:
        case f.Recalled(campaign=campaign, reason=reason):
            return f"Recalled ({campaign}): {reason}"
        case f.Remedied(campaign=campaign, finding=finding):
            return f"Recall {campaign} answered: {finding}"
        case f.ReportedStolen(reason=reason):
            return f"Reported stolen: {reason}"
        case f.StolenReportClosed(finding=finding):
            return f"Report of theft closed: {finding}"
        case _:
            return fact.KIND


def _annulment(fact: f.Fact) -> str:
    match fact:
        case f.AnnulmentProposed(why=why, evidence=evidence):
            return f"Said to be condemned in error: {why} ({evidence})"
        case f.AnnulmentSeconded(finding=finding):
            return f"A second shop agrees that it was an error: {finding}"
        case f.CondemnationAnnulled(why=why):
            return f"Condemnation taken back as an error of the record: {why}"
        case _:
            return fact.KIND


def _identity(fact: f.Fact) -> str:
    match fact:
        case f.IdentitiesLinked(why=why):
            return f"The same cylinder as another record{': ' + why if why else ''}"
        case f.IdentitiesSplit(why=why):
            return f"Not the same cylinder as another record: {why}"
        case f.SetJoined():
            return "Joined to another cylinder, as one set"
        case f.SetParted():
            return "Parted from the other cylinder of its set"
        case f.CylinderTagged(tag=tag, unread=unread):
            return f"Serial cannot be read, tagged {tag}: {unread}"
        case f.BlockAssigned(finding=finding):
            return f"A record of the pair belongs to this cylinder: {finding}"
        case _:
            return fact.KIND


def _fill(fact: f.Fact) -> str:
    match fact:
        case f.FillAuthorisedByPlan(target=target, plan=plan):
            read = "no temperature read" if plan.room_c is None else f"{plan.room_c:.0f} °C"
            return (
                f"Fill started, up to {target.words} at 21 °C, planned to stop at {plan.stop.words} ({read})"
            )
        case f.FillAuthorised(target=target):
            return f"Fill started, up to {target.words}"
        case f.SettledRead(settled=settled, wall_c=wall):
            return f"Settled at {settled.words}, {wall:.0f} °C"
        case f.ReadingTaken(reading=reading):
            return f"Gauge keyed: {reading.words}"
        case f.FillCompleted(start=start, end=end, gas=gas):
            return f"Filled with {gas.words} from {start.words} to {end.words}"
        case f.FillAborted(at=at, why=why):
            return f"Fill stopped{' at ' + at.words if at else ''}: {why}"
        case f.ReadingsDisagreed(oxygen_percent=(first, second)):
            return f"Two readings too far apart: {first:g} and {second:g} % oxygen"
        case f.MixTakenAsMeasured(oxygen_percent=oxygen, wanted=wanted, finding=finding):
            return f"Taken as it reads, {oxygen:g} % oxygen for {wanted.words}: {finding}"
        case f.GasAnalysed(oxygen_percent=oxygen, helium_percent=helium):
            return f"Analysed: {oxygen:g} % oxygen{f', {helium:g} % helium' if helium else ''}"
        case _:
            return fact.KIND


def _blend(fact: f.BlendPlanned | f.BlendStepDone | f.BlendReadingTakenBack) -> str:
    match fact:
        case f.BlendPlanned(because=because) if because:
            return f"Blend cannot go on: {'; '.join(because)}"
        case f.BlendPlanned(question=question, steps=steps, predicted=predicted):
            left = (
                f"{len(steps)} step{'' if len(steps) == 1 else 's'} left" if steps else "nothing left to do"
            )
            return f"Blend of {question.wish.words} planned, {left}; should be {predicted}"
        case f.BlendStepDone(step=step, read=read, at_c=at_c):
            did = f"{step.gas} added" if step.does == "add" else "gas let out"
            return f"Blend: {did} until {step.until.words}, read {read.words} at {at_c:.0f} °C"
        case f.BlendReadingTakenBack():
            return "Blend: the last figure was keyed wrongly and is taken back"


def _visit(fact: f.VisitFact) -> str:
    match fact:
        case f.CylinderIdentified(marks=marks, second_reading=twice, shoulder=shoulder):
            typed = f". Typed off the shoulder: {shoulder.canonical}" if shoulder else ""
            return f"Identified as {marks.serial}{', read twice' if twice else ''}{typed}"
        case f.OutsideLookedOver(sound=sound, note=note):
            return f"Outside {'sound' if sound else 'not sound'}{': ' + note if note else ''}"
        case f.DatesRead(looked_inside=inside, stamp_words=stamped):
            return f"Dates read: {stamped}, inside look {inside or 'none'}"
        case f.RatingRead(rated=rated, agrees=agrees):
            return f"Rated pressure read: {rated.words}{'' if agrees else ', not as on record'}"
        case f.ResidualRead(residual=residual):
            return f"{residual.words} left in it"
        case f.StandingSeen(supervised=supervised, looked_into=looked):
            went_on = f"; a manager went on: {supervised}" if supervised else ""
            answered = f"; looked into {', '.join(looked.rule_ids)}: {looked.finding}" if looked else ""
            return f"Network standing looked at{went_on}{answered}"
        case f.VisitRefused(words=words):
            return f"Refused: {'; '.join(words)}"
        case f.WhipConnected(whip=whip):
            return f"Connected to whip {whip}"
        case f.SetDown(slot=slot):
            return f"Set down in slot {slot}"
        case f.VisitHeld(why=why) | f.VisitAbandoned(why=why):
            return f"{'Visit held' if isinstance(fact, f.VisitHeld) else 'Left without a fill'}: {why}"
        case f.VisitResumed(finding=finding):
            return f"Visit goes on: {finding}"
        case f.StepReopened(step=step, why=why):
            return f"Answer taken back: {step.replace('_', ' ')}{', ' + why if why else ''}"
        case _:
            return _PLAIN.get(fact.KIND, fact.KIND)


_PLAIN = {
    f.CylinderReceived.KIND: "Taken in at the counter",
    f.CertificationSeen.KIND: "Certification seen",
    f.AreaCleared.KIND: "People out of the fill area",
    f.ValveBlownOut.KIND: "Valve blown out, O-ring looked at",
    f.ContentsSigned.KIND: "Analysis read and signed by the diver",
    f.WhipBled.KIND: "Whip bled and off",
    f.ValveTaped.KIND: "Taped: full",
    f.HandedOver.KIND: "Handed over",
}
