"""The analysis of a mix: two readings and their instrument, what did not agree, what was taken as it reads, what was signed.

A signature is never in a fact: only that the diver signed, how, and a hash of what the shop keeps.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AwareDatetime, Field, StringConstraints

from cylinder.facts.shape import Short, VisitFact
from cylinder.facts.visit import GasAnalysed
from cylinder.marks import GasWanted

Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Analyser = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=40)]
CalibratedIn = Literal["air", "oxygen"]
HowSigned = Literal["drawn", "initials"]


class GasAnalysedTwice(GasAnalysed):
    """Read twice, with which analyser. The first version's members hold the reading that counts.

    That is the richer oxygen, for the depth it allows is the shallower, and the lower helium, for it dulls less.
    """

    V = 2
    other_oxygen_percent: Percent
    other_helium_percent: Percent = 0.0
    analyser: Analyser
    calibrated_at: AwareDatetime
    calibrated_in: CalibratedIn


class ReadingsDisagreed(VisitFact):
    """Two readings of one gas were too far apart to believe either."""

    KIND = "visit.readings_disagreed"
    oxygen_percent: tuple[Percent, Percent]
    helium_percent: tuple[Percent, Percent] = (0.0, 0.0)
    analyser: Analyser


class MixTakenAsMeasured(VisitFact):
    """The diver takes a mix that is not the wish as what it reads, and the one who recorded this stands for it."""

    KIND = "visit.mix_taken_as_measured"
    oxygen_percent: Percent
    helium_percent: Percent = 0.0
    wanted: GasWanted
    finding: Short


class ContentsSigned(VisitFact):
    """The diver read the analysis with its depths and signed; `mark_sha256` is of what the shop keeps, salted."""

    KIND = "visit.contents_signed"
    oxygen_percent: Percent
    helium_percent: Percent = 0.0
    how: HowSigned
    mark_sha256: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
