"""Judges who may fill: the papers that law or practice ask of the person at the whip.

It must never take a paper that has run out, nor one that nobody showed.
"""

from dataclasses import dataclass
from datetime import date

from gas.mixture import Mix
from rulebook.pack import FillerPaper, Finding, Pack

_SLACK = 1e-9


@dataclass(frozen=True)
class Paper:
    """A certificate of the person who fills. `until` is its last good day; None is one that does not run out."""

    kind: FillerPaper
    until: date | None


def judge_filler(pack: Pack, gas: Mix, papers: tuple[Paper, ...], today: date) -> list[Finding]:
    """What is missing for this person to fill this gas here."""
    good = {paper.kind for paper in papers if paper.until is None or today <= paper.until}
    findings = []
    for line in pack.fillers:
        is_asked = gas.oxygen_fraction * 100 > line.above_oxygen_percent + _SLACK or (
            gas.helium_fraction > 0 and line.paper == "mix training"
        )
        if is_asked and line.paper not in good:
            findings.append(pack.finding_of(line.rule, line.bearing, f"No “{line.paper}” paper in date."))
    return findings
