"""Work of more than 31 days ago, or of a day that has to be shown: the same judgements, with what proves the day.

A second version of each, not another field of the first: what was stored stays as it was. To software that knows only
the first, such a block still blocks and such a clear lifts nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

from cylinder.facts.bench import (
    Condemned,
    Rejected,
    RenderedUnusable,
    Requalified,
    VisualFailed,
    VisualPassed,
)
from cylinder.facts.shape import Fact, Short


class VisualPassedOnEvidence(VisualPassed):
    """A passed inspection, with what shows that it was done on that day."""

    V = 2
    evidence: Short


class VisualFailedOnEvidence(VisualFailed):
    """A failed inspection, with what shows that it was done on that day."""

    V = 2
    evidence: Short


class RequalifiedOnEvidence(Requalified):
    """A passed requalification, with what shows that it was done on that day."""

    V = 2
    evidence: Short


class RejectedOnEvidence(Rejected):
    """A rejection, with what shows that it was of that day."""

    V = 2
    evidence: Short


class CondemnedOnEvidence(Condemned):
    """A condemnation, with what shows that it was of that day."""

    V = 2
    evidence: Short


class RenderedUnusableOnEvidence(RenderedUnusable):
    """Made unusable, with what shows that it was on that day."""

    V = 2
    evidence: Short


_ON_EVIDENCE: Mapping[type[Fact], type[Fact]] = {
    VisualPassed: VisualPassedOnEvidence,
    VisualFailed: VisualFailedOnEvidence,
    Requalified: RequalifiedOnEvidence,
    Rejected: RejectedOnEvidence,
    Condemned: CondemnedOnEvidence,
    RenderedUnusable: RenderedUnusableOnEvidence,
}


def on_evidence(fact: Fact, evidence: str) -> Fact:
    """The same judgement with its evidence; as it is where there is none to give."""
    model = _ON_EVIDENCE.get(type(fact))
    if model is None or not evidence:
        return fact
    return model.model_validate({**fact.model_dump(), "evidence": evidence})


def evidence_of(fact: Fact) -> str:
    """What shows that it was done on its day; empty where none was asked for."""
    match fact:
        case (
            VisualPassedOnEvidence(evidence=evidence)
            | VisualFailedOnEvidence(evidence=evidence)
            | RequalifiedOnEvidence(evidence=evidence)
            | RejectedOnEvidence(evidence=evidence)
            | CondemnedOnEvidence(evidence=evidence)
            | RenderedUnusableOnEvidence(evidence=evidence)
        ):
            return evidence
        case _:
            return ""
