"""The mix: whether it was measured as asked for, and whether the cylinder may hold it at all.

A mix that is off is held and never handed over, whoever says so; cleanliness for oxygen is never assumed.
"""

from __future__ import annotations

from collections.abc import Iterator

from cylinder.around import Around
from cylinder.facts import GasAnalysed
from cylinder.marks import GasWanted
from cylinder.refusal import Reason, reason_of
from cylinder.visit import Visit
from gas.mixture import Mix
from rulebook import judge_oxygen_service

ANALYSIS_TOLERANCE_PERCENT = 1.0
"""Within 1 % oxygen of the mix that was asked for (common practice, no source; 29 CFR 1910 subpart T App. C 6(b)(i) for the analyser)."""

HELIUM_TOLERANCE_PERCENT = 2.0
"""Within 2 % helium (from memory, no source). Helium that was not measured counts as none."""


def analysis_off(state: Visit) -> str:
    """What is wrong with the mix as measured, in words; empty when it is as asked for, or not measured."""
    return off(state, state.analysed) if state.analysed is not None else ""


def off(state: Visit, analysed: GasAnalysed) -> str:
    """What is wrong with this analysis, in words; empty when it is what was asked for."""
    oxygen_off = abs(analysed.oxygen_percent - state.gas.oxygen_percent)
    helium_off = abs(analysed.helium_percent - state.gas.helium_percent)
    is_off = oxygen_off > ANALYSIS_TOLERANCE_PERCENT + 1e-9 or helium_off > HELIUM_TOLERANCE_PERCENT + 1e-9
    if not is_off:
        return ""
    helium = f" and {analysed.helium_percent:g} % helium" if state.gas.helium_percent else ""
    measured = f"{analysed.oxygen_percent:g} % oxygen{helium} measured"
    return f"{measured}, {state.gas.words} asked for. Do not hand it over."


def oxygen_reasons(gas: GasWanted, around: Around) -> Iterator[Reason]:
    """Nobody has recorded that a cylinder is clean for oxygen, so a mix that asks for it is refused."""
    if gas.oxygen_percent + gas.helium_percent > 100:
        yield Reason("gas.sum", f"{gas.words}: oxygen and helium together are more than 100 %.")
        return
    mix = Mix(oxygen_fraction=gas.oxygen_percent / 100, helium_fraction=gas.helium_percent / 100)
    found = judge_oxygen_service(around.rules, mix, is_oxygen_clean=None, oxygen_goes_in_pure=False)
    yield from (reason_of(finding) for finding in found if finding.bearing != "tell")
