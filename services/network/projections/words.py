"""A fact in words for the officer: what was done, and what was found. Pure."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from cylinder import facts
from cylinder.recorded import Recorded

_UNPRINTABLE = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})


@dataclass(frozen=True, slots=True)
class Told:
    """A short title and what stands beside it."""

    title: str
    detail: str = ""


def told(record: Recorded) -> Told:
    """Any fact in words; one that this software does not know is named as it is."""
    fact = record.fact
    words = (
        _bench(fact)
        or _visit(fact)
        or _fill(fact)
        or _blend(fact)
        or _network(fact)
        or _identity(fact)
        or _other(record)
    )
    evidence = facts.evidence_of(fact)
    detail = _joined(words.detail, f"shown by: {evidence}" if evidence else "")
    return Told(printable(words.title), printable(detail))


def printable(text: str) -> str:
    """Without control characters: a database text holds no NUL, and a page no mark that turns its direction."""
    return "".join("\ufffd" if unicodedata.category(sign) in _UNPRINTABLE else sign for sign in text)


def _bench(fact: facts.Fact) -> Told | None:
    match fact:
        case facts.CylinderRegistered(marks=marks):
            return Told(
                "First seen", f"{marks.serial}, {marks.maker}, {marks.spec}, first test {marks.first_test}"
            )
        case facts.HoldPlaced(reason=reason):
            return Told("Put on hold", reason)
        case facts.HoldReleased(finding=finding):
            return Told("Hold released", finding)
        case facts.VisualPassed(findings=findings):
            return Told("Inside look passed", findings)
        case facts.VisualFailed(findings=findings):
            return Told("Inside look failed", findings)
        case facts.Requalified() as done:
            return Told("Requalified", _expansion(done))
        case facts.Rejected(reason=reason, clause=clause):
            return Told("Rejected", f"{reason} ({clause})")
        case facts.Condemned(reason=reason, criterion=criterion, clause=clause):
            return Told("Condemned", f"{reason}. {criterion} ({clause})")
        case facts.RenderedUnusable(how=how):
            return Told("Made unusable", how)
        case facts.OwnerNotified(how=how):
            return Told("Owner notified", how)
        case facts.OxygenCleaned(parts=parts, procedure=procedure, cleaned_by=by, until=until):
            return Told("Cleaned for oxygen", f"{parts}: {procedure}, by {by}, good to {until}")
        case facts.OxygenServiceEnded(why=why):
            return Told("Not clean for oxygen any more", why)
        case facts.GasFitForOxygen(shown_by=shown_by):
            return Told("Gas said to be fit for oxygen service", shown_by)
        case _:
            return None


def _visit(fact: facts.Fact) -> Told | None:
    match fact:
        case facts.CylinderReceived(tag=tag, gas=gas):
            return Told("Received", f"Tag {tag}, {gas.words} wanted")
        case facts.CertificationSeen(level=level):
            return Told("Certification seen", level)
        case facts.CylinderIdentified(marks=marks, second_reading=second, shoulder=shoulder):
            typed = f"typed off the shoulder: {shoulder.canonical}" if shoulder else ""
            return Told(
                "Identified", _joined(f"{marks.serial}{', read a second time' if second else ''}", typed)
            )
        case facts.OutsideLookedOver(sound=sound, note=note):
            return Told("Outside looked over", _joined("sound" if sound else "not sound", note))
        case facts.DatesRead(looked_inside=inside, stamp_words=stamped):
            return Told("Dates read", f"{stamped}, inside look {inside or 'no sticker'}")
        case facts.RatingRead(rated=rated, agrees=agrees):
            return Told("Rated pressure read", rated.words + ("" if agrees else ", differs from the record"))
        case facts.StandingSeen(news_age_s=age, supervised=supervised, looked_into=looked):
            answered = (
                f"an inspector looked into {', '.join(looked.rule_ids)}: {looked.finding}" if looked else ""
            )
            return Told("Standing looked at", _joined(_joined(f"news {age} s old", supervised), answered))
        case facts.VisitRefused(words=words):
            return Told("Refused to fill", " ".join(words))
        case facts.VisitHeld(why=why):
            return Told("Visit on hold", why)
        case facts.VisitResumed(finding=finding):
            return Told("Visit resumed", finding)
        case facts.StepReopened(step=step, why=why):
            return Told("Answer taken back", _joined(step.replace("_", " "), why))
        case facts.VisitAbandoned(why=why):
            return Told("Visit ended without a fill", why)
        case facts.HandedOver():
            return Told("Handed over")
        case _:
            return None


def _fill(fact: facts.Fact) -> Told | None:
    match fact:
        case facts.AreaCleared():
            return Told("People out of the fill area")
        case facts.ValveBlownOut(o_ring=o_ring):
            return Told("Valve blown out", f"O-ring {o_ring}")
        case facts.WhipConnected(whip=whip):
            return Told("Connected", f"Whip {whip}")
        case facts.ResidualRead(residual=residual):
            return Told("Residual pressure read", residual.words)
        case facts.FillAuthorisedByPlan(target=target, plan=plan):
            read = "no temperature read" if plan.room_c is None else f"{plan.room_c:.0f} °C"
            return Told(
                "Fill started", f"target {target.words} at 21 °C, to stop at {plan.stop.words} ({read})"
            )
        case facts.SettledRead(settled=settled, wall_c=wall):
            return Told("Settled", f"{settled.words} at {wall:.0f} °C")
        case facts.FillAuthorised(target=target):
            return Told("Fill started", f"target {target.words}")
        case facts.ReadingTaken(reading=reading):
            return Told("Gauge read", reading.words)
        case facts.FillCompleted(end=end, rated=rated, gas=gas):
            return Told("Filled", f"{end.words} of {rated.words} rated, {gas.words}")
        case facts.FillAborted(why=why):
            return Told("Fill stopped", why)
        case facts.ReadingsDisagreed(oxygen_percent=(first, second)):
            return Told("Readings too far apart", f"{first:g} and {second:g} % oxygen")
        case facts.MixTakenAsMeasured(oxygen_percent=oxygen, wanted=wanted, finding=finding):
            return Told("Mix taken as it reads", f"{oxygen:g} % oxygen, {wanted.words} wanted: {finding}")
        case facts.ContentsSigned():
            return Told("Signed by the diver")
        case facts.GasAnalysed(oxygen_percent=oxygen, helium_percent=helium):
            return Told("Gas analysed", f"{oxygen:g} % oxygen" + (f", {helium:g} % helium" if helium else ""))
        case facts.WhipBled():
            return Told("Bled and taken off")
        case facts.ValveTaped():
            return Told("Taped")
        case facts.SetDown(slot=slot):
            return Told("Set down", f"Slot {slot}")
        case _:
            return None


def _blend(fact: facts.Fact) -> Told | None:
    match fact:
        case facts.BlendPlanned(because=because) if because:
            return Told("Blend cannot go on", "; ".join(because))
        case facts.BlendPlanned(question=question, predicted=predicted):
            return Told("Blend planned", f"{question.wish.words}; should be {predicted}")
        case facts.BlendStepDone(step=step, read=read, at_c=at_c):
            did = f"{step.gas} added" if step.does == "add" else "gas let out"
            return Told("Blend step", f"{did} until {step.until.words}, read {read.words} at {at_c:.0f} °C")
        case facts.BlendReadingTakenBack():
            return Told("Blend figure taken back", "it was keyed wrongly")
        case _:
            return None


def _network(fact: facts.Fact) -> Told | None:
    match fact:
        case facts.Recalled(campaign=campaign, reason=reason):
            return Told("Recalled", f"{campaign}: {reason}")
        case facts.Remedied(campaign=campaign, finding=finding):
            return Told("Recall answered", f"{campaign}: {finding}")
        case facts.ReportedStolen(reason=reason):
            return Told("Reported stolen", reason)
        case facts.StolenReportClosed(finding=finding):
            return Told("Report of theft closed", finding)
        case facts.AnnulmentProposed(why=why, evidence=evidence):
            return Told("Said to be condemned in error", f"{why} ({evidence})")
        case facts.AnnulmentSeconded(finding=finding):
            return Told("A second shop agrees that it was an error", finding)
        case facts.CondemnationAnnulled(why=why):
            return Told("Condemnation annulled", why)
        case _:
            return None


def _identity(fact: facts.Fact) -> Told | None:
    match fact:
        case facts.IdentitiesLinked(other=other, why=why, evidence=evidence):
            return Told("Linked with another record", _joined(why, evidence or "") or f"record {other}")
        case facts.SetJoined():
            return Told("Joined to another cylinder, as one set")
        case facts.SetParted():
            return Told("Parted from the other cylinder of its set")
        case facts.CylinderTagged(tag=tag, unread=unread):
            return Told("Serial cannot be read; tagged by the shop", f"{tag}: {unread}")
        case facts.IdentitiesSplit(why=why, evidence=evidence):
            return Told("Parted from another record", _joined(why, evidence or ""))
        case facts.BlockAssigned(finding=finding):
            return Told("A block found to belong to this record", finding)
        case _:
            return None


def _other(record: Recorded) -> Told:
    if isinstance(record.fact, facts.UnknownFact):
        return Told(f"A record this software does not know ({record.kind})", f"It counts as: {record.effect}")
    return Told(record.kind.replace(".", ": ").replace("_", " "))


def _expansion(done: facts.Requalified) -> str:
    total, permanent = done.total_expansion_cc, done.permanent_expansion_cc
    if total is None or permanent is None:
        return done.method
    return f"{done.method}, {permanent:g} of {total:g} cc permanent ({100 * permanent / total:.1f} %)"


def _joined(*parts: str) -> str:
    return ", ".join(part for part in parts if part)
