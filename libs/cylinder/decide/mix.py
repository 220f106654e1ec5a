"""The mix: whether it was measured as asked for, and whether the cylinder may hold it at all.

A mix that is off is held and never handed over as the wish, whoever says so; cleanliness for oxygen is never assumed.
"""

from __future__ import annotations

from collections.abc import Iterator
from uuid import UUID

from cylinder.around import Around
from cylinder.facts import GasAnalysed, GasAnalysedTwice
from cylinder.marks import GasWanted
from cylinder.refusal import Reason, reason_of
from cylinder.visit import Visit
from gas.mixture import Mix
from rulebook import StorePolicy, judge_oxygen_service
from rulebook.pack import NO_CLAUSE

ANALYSIS_TOLERANCE_PERCENT = 1.0
"""Within 1 % oxygen of the mix that was asked for (common practice, no source; 29 CFR 1910 subpart T App. C 6(b)(i) for the analyser)."""

HELIUM_TOLERANCE_PERCENT = 2.0
"""Within 2 % helium (from memory, no source). Helium that was not measured counts as none."""


_QUALIFIED = frozenset({"inspector", "manager"})


def analysis_off(state: Visit) -> str:
    """What is wrong with the mix as measured, in words; empty when it is as asked for, taken as it reads, or not measured."""
    if state.analysed is None or state.taken is not None:
        return ""
    return off(state, state.analysed)


def off(state: Visit, analysed: GasAnalysed) -> str:
    """What is wrong with this analysis, in words; empty when it is what was asked for."""
    oxygen, helium_read = [analysed.oxygen_percent], [analysed.helium_percent]
    if isinstance(analysed, GasAnalysedTwice):
        oxygen.append(analysed.other_oxygen_percent)
        helium_read.append(analysed.other_helium_percent)
    oxygen_off = max(abs(read - state.gas.oxygen_percent) for read in oxygen)
    helium_off = max(abs(read - state.gas.helium_percent) for read in helium_read)
    is_off = oxygen_off > ANALYSIS_TOLERANCE_PERCENT + 1e-9 or helium_off > HELIUM_TOLERANCE_PERCENT + 1e-9
    if not is_off:
        return ""
    # Of two readings the one is named that lies further from the wish.
    worst = max(oxygen, key=lambda read: abs(read - state.gas.oxygen_percent))
    least = max(helium_read, key=lambda read: abs(read - state.gas.helium_percent))
    helium = f" and {least:g} % helium" if state.gas.helium_percent else ""
    measured = f"{worst:g} % oxygen{helium} measured"
    return f"{measured}, {state.gas.words} asked for. Do not hand it over as that."


def qualified_reasons(around: Around) -> Iterator[Reason]:
    """Who may stand for a mix that is not the wish, or for an analysis that would not settle (house rule, no source)."""
    until = around.actor.mixes_until
    if around.actor.role not in _QUALIFIED and (until is None or until < around.today):
        words = "Only an inspector, a manager or somebody trained to mix gas may say that."
        yield Reason("mix.qualified", words)


def sum_reasons(gas: GasWanted) -> Iterator[Reason]:
    """A mix that no cylinder can hold."""
    if gas.oxygen_percent + gas.helium_percent > 100:
        yield Reason("gas.sum", f"{gas.words}: oxygen and helium together are more than 100 %.")


def oxygen_reasons(
    gas: GasWanted, around: Around, *, visit_id: UUID | None = None, oxygen_goes_in_pure: bool = False
) -> Iterator[Reason]:
    """Why this cylinder may not hold this mix: it is not clean for oxygen, or nobody said that the gas is fit for it."""
    yield from (wrong := list(sum_reasons(gas)))
    if wrong:
        return
    mix = Mix(oxygen_fraction=gas.oxygen_percent / 100, helium_fraction=gas.helium_percent / 100)
    service = around.oxygen
    found = judge_oxygen_service(
        around.rules, mix, is_oxygen_clean=False, oxygen_goes_in_pure=oxygen_goes_in_pure
    )
    asked = [reason_of(finding) for finding in found if finding.bearing != "tell"]
    asked += _house_reasons(mix, around.policy.store)
    if not asked:
        return
    if service is None or not service.is_clean:
        yield from asked
        if service is not None:
            yield Reason("oxygen.not-clean", service.words)
    if service is None or visit_id is None or visit_id not in service.fit_visits:
        yield Reason(
            "oxygen.gas-not-fit",
            "Nobody has said of this fill that all its gas is fit for oxygen service, and what shows it.",
        )


def _house_reasons(mix: Mix, store: StorePolicy) -> Iterator[Reason]:
    """Where the shop itself asks for a clean cylinder from less oxygen on, in the words of its policy."""
    above = store.oxygen_clean_above_percent
    if above is not None and mix.oxygen_fraction * 100 > above + 1e-9:
        words = f"{mix.words()}: above {above:g} % oxygen the cylinder is cleaned for oxygen here."
        yield Reason(
            "house.oxygen_clean", words, source=store.source, clause=NO_CLAUSE, edition=store.edition
        )
