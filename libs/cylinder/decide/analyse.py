"""The analysis: what was measured is recorded as measured; what is not the wish is held."""

from __future__ import annotations

from cylinder import commands as c
from cylinder.around import Around
from cylinder.decide import mix
from cylinder.decide.gates import new_fact
from cylinder.facts import GasAnalysed, VisitHeld
from cylinder.recorded import NewFact
from cylinder.refusal import Reason, Refused
from cylinder.visit import Visit


def analyse(state: Visit, command: c.Analyse, around: Around) -> tuple[NewFact, ...]:
    """A mix that is not what was asked for is recorded as measured, and held."""
    if command.oxygen_percent + command.helium_percent > 100:
        raise Refused([Reason("analyse.sum", "Oxygen and helium together are more than 100 %.")])
    analysed = GasAnalysed(
        visit_id=state.id, oxygen_percent=command.oxygen_percent, helium_percent=command.helium_percent
    )
    measured = new_fact(state, analysed, around)
    why = mix.off(state, analysed)
    if not why:
        return (measured,)
    return (measured, new_fact(state, VisitHeld(visit_id=state.id, why=why), around))
