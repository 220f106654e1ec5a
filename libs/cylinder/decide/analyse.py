"""The analysis: two readings that agree, an analyser that was calibrated, and the diver's own signature under the figures.

What was measured is recorded as measured; what is not the wish is held, and goes out only as what it reads, on a qualified
person's word.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

from cylinder import commands as c
from cylinder.around import Around
from cylinder.contents import contents_of
from cylinder.decide import mix
from cylinder.decide.gates import against, new_fact
from cylinder.facts import (
    ContentsSigned,
    GasAnalysedTwice,
    MixTakenAsMeasured,
    ReadingsDisagreed,
    VisitHeld,
    VisitResumed,
)
from cylinder.marks import GasWanted
from cylinder.recorded import NewFact
from cylinder.refusal import Reason, Refused, refuse_if
from cylinder.visit import Visit

READINGS_AGREE_WITHIN_PERCENT = 1.0
"""Two readings of one gas within 1 % oxygen of each other (common practice, no source)."""

HELIUM_READINGS_AGREE_WITHIN_PERCENT = 2.0
"""And within 2 % helium (from memory, no source)."""

PAIRS_BEFORE_HOLD = 3
"""After so many pairs that do not agree it is the analyser, or the gas has not mixed: somebody else looks. Our choice."""

LEAST_OXYGEN_PERCENT = 5.0
"""Below this no mix is handed to anybody: the least that may be asked for as well (`cylinder.marks.GasWanted`)."""

_NOISE = 1e-9


def analyse(state: Visit, command: c.Analyse, around: Around) -> tuple[NewFact, ...]:
    """Two readings that agree are the analysis. Two that do not are recorded too, and after three such pairs it is held."""
    now = [*_readings_reasons(state, command), *calibration_reasons(command, around)]
    if not command.analyser:
        now.append(Reason("analyse.analyser", "Say which analyser it was, by the name on its label."))
    refuse_if(now)
    oxygen = _pair(command.oxygen_percent, command.again_oxygen_percent)
    helium = _pair(command.helium_percent, command.again_helium_percent)
    if not _agree(oxygen, helium):
        return _disagreed(state, command, around)
    assert command.calibrated_min_ago is not None
    assert command.calibrated_in is not None
    analysed = GasAnalysedTwice(
        visit_id=state.id,
        oxygen_percent=max(oxygen),
        other_oxygen_percent=min(oxygen),
        helium_percent=min(helium),
        other_helium_percent=max(helium),
        analyser=command.analyser,
        calibrated_at=around.now - dt.timedelta(minutes=command.calibrated_min_ago),
        calibrated_in=command.calibrated_in,
    )
    measured = new_fact(state, analysed, around)
    why = mix.off(state, analysed)
    if not why:
        return (measured,)
    return (measured, new_fact(state, VisitHeld(visit_id=state.id, why=why), around))


def calibration_reasons(command: c.Analyse, around: Around) -> Iterator[Reason]:
    """Why this calibration does not count: none was said, it lies ahead, or it is older than a shift."""
    ago, limit_h = command.calibrated_min_ago, around.policy.calibration_h
    if ago is None or command.calibrated_in is None:
        yield Reason(
            "analyse.calibrated", "Say when the analyser was calibrated, and whether in air or in oxygen."
        )
    elif ago < 0:
        yield Reason("analyse.calibrated-ahead", "A calibration cannot lie ahead of now. Key its time again.")
    elif ago > limit_h * 60:
        yield Reason(
            "analyse.calibrated-before",
            f"Calibrated {ago // 60} h ago, and after {limit_h} h it no longer counts. Calibrate it now, then read.",
        )


def take_as_measured(state: Visit, command: c.TakeAsMeasured, around: Around) -> tuple[NewFact, ...]:
    """Off the wish, but what it is is known: it goes out as that, if somebody qualified says so and the diver may have it."""
    analysed = state.analysed
    if analysed is None or not mix.analysis_off(state):
        raise Refused(
            [Reason("mix.as-wished", f"Nothing is measured in tag {state.tag} that is off the wish.")]
        )
    measured = _as_gas(analysed.oxygen_percent, analysed.helium_percent)
    reasons = [
        *mix.qualified_reasons(around),
        *against(state, around.standing),
        *_beyond_certification(state, analysed.oxygen_percent, analysed.helium_percent),
    ]
    if measured is None or contents_of(analysed) is None:
        words = f"{analysed.oxygen_percent:g} % oxygen is a gas for nobody. Empty it."
        reasons.append(Reason("mix.too-lean", words))
    else:
        reasons += mix.oxygen_reasons(measured, around, visit_id=state.id)
    refuse_if(reasons)
    taken = MixTakenAsMeasured(
        visit_id=state.id,
        oxygen_percent=analysed.oxygen_percent,
        helium_percent=analysed.helium_percent,
        wanted=state.gas,
        finding=command.finding,
    )
    resumed = VisitResumed(visit_id=state.id, finding=f"Taken as it reads: {command.finding}"[:200])
    if state.held is None:
        return (new_fact(state, taken, around),)
    return (new_fact(state, taken, around), new_fact(state, resumed, around))


def sign(state: Visit, command: c.SignContents, around: Around) -> tuple[NewFact, ...]:
    """The diver's signature stands under the figures that were shown, and under no others."""
    refuse_if(_not_to_be_signed(state, command))
    signed = ContentsSigned(
        visit_id=state.id,
        oxygen_percent=command.oxygen_percent,
        helium_percent=command.helium_percent,
        how=command.how,
        mark_sha256=command.mark_sha256,
    )
    return (new_fact(state, signed, around),)


def why_not_signed_for(state: Visit) -> Iterator[Reason]:
    """Why a cylinder with a mix may not leave: not analysed, off the wish, or not signed by the diver."""
    if state.gas.is_air:
        return
    if state.analysed is None:
        yield Reason("hand-over.not-analysed", f"Tag {state.tag}: {state.gas.words} was not analysed.")
        return
    off = mix.analysis_off(state)
    if off:
        yield Reason("analyse.off", f"Tag {state.tag}: {off}")
    elif state.signed is None:
        yield Reason(
            "hand-over.not-signed",
            f"Tag {state.tag}: the diver has not read and signed the analysis. Open it and hand them the tablet.",
        )


def _readings_reasons(state: Visit, command: c.Analyse) -> Iterator[Reason]:
    if command.again_oxygen_percent is None or (
        state.gas.helium_percent and command.again_helium_percent is None
    ):
        yield Reason("analyse.second", "One reading is none. Read it a second time, with the diver.")
    pairs = (
        (command.oxygen_percent, command.helium_percent),
        (command.again_oxygen_percent or 0.0, command.again_helium_percent or 0.0),
    )
    if any(oxygen + helium > 100 + _NOISE for oxygen, helium in pairs):
        yield Reason("analyse.sum", "Oxygen and helium together are more than 100 %.")
    if 0.0 in (command.oxygen_percent, command.again_oxygen_percent):
        yield Reason(
            "analyse.no-oxygen",
            "An analyser that shows no oxygen is not measuring. Calibrate it in air first.",
        )


def _pair(first: float, again: float | None) -> tuple[float, float]:
    return first, first if again is None else again


def _agree(oxygen: tuple[float, float], helium: tuple[float, float]) -> bool:
    return (
        abs(oxygen[0] - oxygen[1]) <= READINGS_AGREE_WITHIN_PERCENT + _NOISE
        and abs(helium[0] - helium[1]) <= HELIUM_READINGS_AGREE_WITHIN_PERCENT + _NOISE
    )


def _disagreed(state: Visit, command: c.Analyse, around: Around) -> tuple[NewFact, ...]:
    disagreed = ReadingsDisagreed(
        visit_id=state.id,
        oxygen_percent=_pair(command.oxygen_percent, command.again_oxygen_percent),
        helium_percent=_pair(command.helium_percent, command.again_helium_percent),
        analyser=command.analyser,
    )
    fact = new_fact(state, disagreed, around)
    if state.disagreed + 1 < PAIRS_BEFORE_HOLD:
        return (fact,)
    why = (
        f"{PAIRS_BEFORE_HOLD} pairs of readings did not agree. Let it mix, take another analyser, read again."
    )
    return (fact, new_fact(state, VisitHeld(visit_id=state.id, why=why), around))


def _as_gas(oxygen_percent: float, helium_percent: float) -> GasWanted | None:
    if oxygen_percent < LEAST_OXYGEN_PERCENT or helium_percent > 95:
        return None
    return GasWanted(oxygen_percent=oxygen_percent, helium_percent=helium_percent)


def _beyond_certification(state: Visit, oxygen_percent: float, helium_percent: float) -> Iterator[Reason]:
    """As at the counter (common practice, no source); less oxygen than air is for those who are trained for trimix."""
    seen = state.certification
    covers_trimix = seen is not None and seen.covers_trimix
    covers_nitrox = covers_trimix or (seen is not None and seen.covers_nitrox)
    if (helium_percent or oxygen_percent < 20) and not covers_trimix:
        yield Reason("mix.certification", "What it reads needs a certification that covers trimix.")
    elif oxygen_percent > 22 and not covers_nitrox:
        yield Reason("mix.certification", "What it reads needs a certification that covers nitrox.")


def _not_to_be_signed(state: Visit, command: c.SignContents) -> Iterator[Reason]:
    analysed = state.analysed
    if state.gas.is_air:
        yield Reason("sign.air", "Air needs no signature.")
    elif analysed is None:
        yield Reason("sign.not-analysed", f"Tag {state.tag} was not analysed yet: there is nothing to sign.")
    else:
        off = mix.analysis_off(state)
        if off:
            yield Reason("analyse.off", off)
        shown = command.oxygen_percent, command.helium_percent
        measured = analysed.oxygen_percent, analysed.helium_percent
        if shown != measured:
            yield Reason("sign.other-figures", "Other figures were measured meanwhile. Read and sign those.")
        if state.signed is not None:
            yield Reason("sign.twice", f"Tag {state.tag} is signed for already.")
