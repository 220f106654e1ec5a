"""What may be asked about the mix in a cylinder: record its analysis, take it as it reads, sign for it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from cylinder.commands.asked import VisitAsked
from cylinder.facts import Short
from cylinder.facts.analysis import CalibratedIn, HowSigned, Percent


class Analyse(VisitAsked):
    """Record two readings of a mix, and the analyser: which, and how long ago it was calibrated in what.

    What is not said is refused by the decision, with every other reason; it is not a fault of the form.
    """

    command: Literal["analyse"] = "analyse"
    oxygen_percent: Percent
    helium_percent: Percent = 0.0
    again_oxygen_percent: Percent | None = None
    again_helium_percent: Percent | None = None
    analyser: Annotated[str, StringConstraints(strip_whitespace=True, max_length=40)] = ""
    calibrated_min_ago: Annotated[int, Field(ge=-100_000, le=100_000)] | None = None
    """Below zero lies ahead of now, and is refused."""
    calibrated_in: CalibratedIn | None = None


class TakeAsMeasured(VisitAsked):
    """The diver takes what is in it as what it reads; a qualified person says so, and why that may be."""

    command: Literal["take_as_measured"] = "take_as_measured"
    finding: Short


class SignContents(VisitAsked):
    """The diver signed for these figures, and what they wrote is kept at the shop under this hash."""

    command: Literal["sign_contents"] = "sign_contents"
    oxygen_percent: Percent
    helium_percent: Percent = 0.0
    how: HowSigned
    mark_sha256: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
