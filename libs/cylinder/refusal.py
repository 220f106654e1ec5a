"""Refusals: every reason at once, in words for the person at the counter, each with its rule and source."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rulebook import Finding


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason why not. `source` is the clause, or "house rule" for the order of work in this software."""

    rule_id: str
    words: str
    source: str = "house rule"
    clause: str = ""
    edition: str = ""


class Refused(Exception):
    """The only exception of the domain: the command was understood and is refused."""

    def __init__(self, reasons: Iterable[Reason]) -> None:
        self.reasons = tuple(reasons)
        super().__init__("; ".join(reason.words for reason in self.reasons))


def reason_of(finding: Finding) -> Reason:
    """A finding of the rulebook as a reason."""
    return Reason(
        rule_id=finding.rule_id,
        words=finding.words,
        source=finding.source,
        clause=finding.clause,
        edition=finding.edition,
    )


def refuse_if(reasons: Iterable[Reason]) -> None:
    """Raise Refused when there is at least one reason."""
    found = tuple(reasons)
    if found:
        raise Refused(found)
