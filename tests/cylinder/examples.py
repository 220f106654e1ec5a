"""One example of every kind of fact, with fixed ids. The golden files are written from these, once each."""

from __future__ import annotations

import datetime as dt

from tests.cylinder.given import KNOWN, MARKS, OTHER, VISIT, an_id, bar, psi

from cylinder import facts as f
from cylinder.facts import Fact
from cylinder.facts.banks import BottleMarks
from cylinder.gases import BlendQuestion, GasOnHand
from cylinder.marks import GasWanted

_NITROX = GasWanted(oxygen_percent=32.0)
_CLAUSE = "49 CFR 180.205(i)(1)(iii), 2015 annual edition"

_BLEND = BlendQuestion(
    read=bar(100), cylinder_c=20, oxygen_percent=36, helium_percent=0, wish=GasWanted(oxygen_percent=32), end=bar(207),
    limit=bar(207), step_c=25, volume_litre=11.1,
    gases=(
        GasOnHand(name="Oxygen bank", oxygen_percent=100, pressure=bar(180), bottle_litre=50, price_per_m3=8),
        GasOnHand(name="Air", oxygen_percent=20.9),
    ),
)  # fmt: skip
_STEP = f.PlannedStep(does="add", gas="Oxygen bank", oxygen_percent=100, until=bar(110.7), at_c=25)
_EXAMPLES: tuple[Fact, ...] = (
    f.CylinderReceived(visit_id=VISIT, tag=4, gas=_NITROX, of=2, number=1),
    f.CertificationSeen(visit_id=VISIT, level="Open water", covers_nitrox=True),
    f.CylinderIdentified(
        visit_id=VISIT, marks=MARKS, was_known=True, second_reading=True, told_apart_from=(OTHER,)
    ),
    f.OutsideLookedOver(visit_id=VISIT, sound=False, note="Dent below the shoulder"),
    f.DatesRead(visit_id=VISIT, requalified="2024-03", looked_inside=None),
    f.RatingRead(visit_id=VISIT, rated=psi(3000), on_record=bar(207), agrees=True),
    f.StandingSeen(visit_id=VISIT, news_age_s=42, supervised="Line down since noon"),
    f.VisitRefused(visit_id=VISIT, rule_ids=("standing.cylinder.condemned",), words=("Condemned at Le Phare",)),
    f.AreaCleared(visit_id=VISIT),
    f.ValveBlownOut(visit_id=VISIT, o_ring="replaced"),
    f.WhipConnected(visit_id=VISIT, whip=3),
    f.ResidualRead(visit_id=VISIT, residual=bar(34.5)),
    f.FillAuthorised(visit_id=VISIT, target=psi(3000), rated=psi(3000)),
    f.FillAuthorisedByPlan(
        visit_id=VISIT,
        target=psi(3000),
        rated=psi(3000),
        plan=f.FillPlanned(
            room_c=31.5, volume_litre=11.1, rate_bar_per_min=20.0, stop=psi(3160), minutes=8.9, rise_kelvin=11.5,
            rise_within_kelvin=4.6, settles_to_bar=203.9, settles_within_bar=3.7, top_off=psi(3130), learnt_from=3,
        ),
    ),
    f.SettledRead(
        visit_id=VISIT, settled=psi(2950), wall_c=24.0, stopped=psi(3160), gas=GasWanted(), came_to_bar=201.1, room_c=31.5,
        foreseen_rise_kelvin=11.5, foreseen_bar=203.9,
    ),
    f.ReadingTaken(visit_id=VISIT, reading=psi(1500)),
    f.FillCompleted(
        visit_id=VISIT, end=psi(2980), start=psi(500), target=psi(3000), rated=psi(3000), gas=_NITROX
    ),
    f.FillAborted(visit_id=VISIT, at=None, why="Hissing at the yoke"),
    f.GasAnalysed(visit_id=VISIT, oxygen_percent=32.1, helium_percent=0.0),
    f.GasAnalysedTwice(
        visit_id=VISIT, oxygen_percent=18.2, helium_percent=44.6, other_oxygen_percent=17.9, other_helium_percent=45.1,
        analyser="Cell 2", calibrated_at=dt.datetime(2026, 6, 15, 9, 10, tzinfo=dt.UTC), calibrated_in="air",
    ),
    f.ReadingsDisagreed(visit_id=VISIT, oxygen_percent=(32.0, 35.0), analyser="Cell 2"),
    f.MixTakenAsMeasured(
        visit_id=VISIT, oxygen_percent=35.8, wanted=_NITROX, finding="The diver takes it, with its shallower depth"
    ),
    f.ContentsSigned(visit_id=VISIT, oxygen_percent=32.1, how="drawn", mark_sha256="5e" * 32),
    f.WhipBled(visit_id=VISIT),
    f.ValveTaped(visit_id=VISIT),
    f.SetDown(visit_id=VISIT, slot=7),
    f.HandedOver(visit_id=VISIT, handover_id=an_id("hand-over"), of=2),
    f.VisitHeld(visit_id=VISIT, why="Smells of oil"),
    f.VisitResumed(visit_id=VISIT, finding="Looked at; fit to go on"),
    f.StepReopened(visit_id=VISIT, step="rating", why="Misread"),
    f.VisitAbandoned(visit_id=VISIT, why="In the red rack"),
    f.CylinderRegistered(marks=MARKS),
    f.HoldPlaced(reason="34 psi left", rule_id="us.residual.low", visit_id=VISIT),
    f.HoldReleased(finding="Dry and clean inside"),
    f.VisualPassed(findings="Clean", rated=psi(3000), certificate="C-100"),
    f.VisualFailed(findings="Rust inside", certificate="C-100"),
    f.Requalified(
        method="hydrostatic", total_expansion_cc=98.5, permanent_expansion_cc=4.0, requalifier="A-000",
        rated=psi(3000),
    ),
    f.Rejected(reason="Deep pit", criterion_id="reject.outside", clause="49 CFR 173.301(a)(2)", certificate="C-100"),
    f.Condemned(
        reason="Crack across the neck threads — 3 of them", criterion_id="condemn.cracking", criterion="Cracked.",
        clause=_CLAUSE, serial_read=MARKS.serial, certificate="C-100",
    ),
    f.RenderedUnusable(how="Drilled through"),
    f.OwnerNotified(about=an_id("condemned"), how="By letter"),
    f.OxygenCleaned(
        parts="cylinder and valve", procedure="Shop sheet 4, degreased and wiped white", cleaned_by="R. Amat",
        until=dt.date(2027, 6, 15), links=(an_id("a link"),), certificate="C-100",
    ),
    f.OxygenServiceEnded(why="Oil on the dip tube"),
    f.GasFitForOxygen(visit_id=VISIT, shown_by="Analysis sheet of 2 June, bank 3"),
    f.ActorCertified(
        actor_id="in-1", known_as="R. Amat", role="inspector", certificate="C-100",
        certificate_until="2027-01-31",
    ),
    f.ActorWithdrawn(actor_id="in-1", from_date=dt.date(2026, 6, 1), why="Left the shop"),
    f.KeyRevoked(
        node="anse-rouge", key_id="k-1", trusted=(f.TrustedTo(inc=an_id("incarnation"), seq=41),),
        reason="The node was stolen",
    ),
    f.NodeSuspected(node="anse-rouge", key_id="k-1", trusted=(), reason="Two heads of one log"),
    f.SuspicionLifted(node="anse-rouge", suspicions=(an_id("suspected"),), finding="One node, restored"),
    f.Recalled(campaign="R-2026-4", reason="Neck threads cut too deep"),
    f.Remedied(campaign="R-2026-4", finding="Threads gauged, within limits", certificate="C-100"),
    f.ReportedStolen(reason="Taken from a car, report 77 of the harbour police"),
    f.StolenReportClosed(finding="Back with its owner"),
    f.AnnulmentProposed(
        block=an_id("condemned"), why="The serial was misread", evidence="Photograph 12 of the shoulder", meant=OTHER
    ),
    f.AnnulmentSeconded(
        proposal=an_id("proposed"), block=an_id("condemned"), finding="No crack; serial B0471 read twice"
    ),
    f.CondemnationAnnulled(proposal=an_id("proposed"), why="Written against the wrong record"),
    f.IdentitiesLinked(other=OTHER, why="Both marks read on one cylinder"),
    f.SetJoined(visit_id=VISIT, other=an_id("the visit of the other half")),
    f.SetParted(visit_id=VISIT, other=an_id("the visit of the other half")),
    f.CylinderTagged(visit_id=VISIT, tag="*TAG K7M3-PX9R*", unread="Ground off under the boot", photo_sha256="0f" * 32),
    f.IdentitiesSplit(
        links=(an_id("link"),), parts=(KNOWN, OTHER), carried=(an_id("a block"),), why="Two cylinders after all"
    ),
    f.BlockAssigned(block=an_id("a block"), finding="The dent is on this one"),
    f.GapStated(
        parent_inc=an_id("incarnation"), after_seq=41, hub_seq=43, words="Two fills of Sunday morning, on paper slips"
    ),
    f.BankSetUp(
        name="Nitrox bank", oxygen_percent=32, whips=(3, 4),
        bottles=(BottleMarks(name="N1", volume_litre=50, service=bar(300)),),
    ),
    f.BankBottleRead(bottle="N1", gauge=bar(287), celsius=24.5),
    f.BankToppedUp(bottles=("N1",), gauge=bar(300), celsius=38, oxygen_percent=31.8),
    f.BankBottleWithdrawn(bottle="N1", why="Valve leaks at the stem"),
    f.BankBottleReturned(bottle="N1", finding="New stem seal, tight under soap"),
    f.BankClosed(why="The bottles went back to their owner"),
    *(
        f.on_evidence(fact, "Card 77 of the test house, photographed")
        for fact in (
            f.VisualPassed(findings="Clean", rated=psi(3000), certificate="C-100"),
            f.VisualFailed(findings="Rust inside", certificate="C-100"),
            f.Requalified(method="ultrasonic", requalifier="A-000"),
            f.Rejected(reason="Deep pit", criterion_id="reject.outside", clause="49 CFR 173.301(a)(2)"),
            f.Condemned(
                reason="Crack", criterion_id="condemn.cracking", criterion="Cracked.", clause=_CLAUSE,
                serial_read=MARKS.serial,
            ),
            f.RenderedUnusable(how="Drilled through"),
        )
    ),
    f.BlendPlanned(
        visit_id=VISIT, follows="start", question=_BLEND, valve="yoke", steps=(_STEP,),
        predicted="about 32.0% oxygen, give or take 0.8% (estimate)",
    ),
    f.BlendStepDone(visit_id=VISIT, step=_STEP, read=bar(111), at_c=26),
    f.BlendReadingTakenBack(visit_id=VISIT),
    f.PeopleOut(),
    f.DoorOpened(),
)  # fmt: skip

EXAMPLES: dict[tuple[str, int], Fact] = {(fact.KIND, fact.V): fact for fact in _EXAMPLES}
"""By stored name and version."""

CYLINDER = KNOWN
"""The cylinder that the examples are about."""
