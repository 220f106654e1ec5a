"""One thing held against a cylinder, in words. Decides nothing."""

from __future__ import annotations

import datetime as dt
from uuid import UUID

from pydantic import BaseModel, ConfigDict

from cylinder.facts import (
    Condemned,
    Fact,
    HoldPlaced,
    Recalled,
    Rejected,
    RenderedUnusable,
    ReportedStolen,
    VisualFailed,
)
from cylinder.recorded import Recorded


class Block(BaseModel):
    """One thing held against a cylinder, and who said so, where and when."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: UUID
    kind: str
    words: str
    reason: str
    criterion: str = ""
    clause: str = ""
    node: str
    actor: str
    performed_on: dt.date
    at: dt.datetime
    visit_id: UUID | None = None
    """The visit that placed it, where a visit did."""
    on: tuple[UUID, ...] = ()
    """The records that it stands open on; good news lifts it from one record at a time."""

    @property
    def is_for_good(self) -> bool:
        """Condemned or made unusable: no procedure lifts it."""
        return self.kind in (Condemned.KIND, RenderedUnusable.KIND)

    @property
    def is_hold(self) -> bool:
        """On hold: an inspector at any shop can answer it."""
        return self.kind == HoldPlaced.KIND


def block_of(fact: Recorded, on: tuple[UUID, ...]) -> Block:
    """A block as it is said, with the records that it stands open on."""
    words, reason, criterion, clause = _block_words(fact.fact)
    return Block(
        id=fact.id,
        kind=fact.kind,
        words=words,
        reason=reason,
        criterion=criterion,
        clause=clause,
        node=fact.node,
        actor=fact.actor,
        performed_on=fact.performed_on,
        at=_utc(fact.at),
        visit_id=fact.fact.visit_id if isinstance(fact.fact, HoldPlaced) else None,
        on=on,
    )


def _utc(at: dt.datetime) -> dt.datetime:
    """The same instant in UTC. A clock at the very edge of the calendar is shown as it was, never an error."""
    try:
        return at.astimezone(dt.UTC)
    except OverflowError:
        return at.replace(tzinfo=dt.UTC)


def _block_words(fact: Fact) -> tuple[str, str, str, str]:
    match fact:
        case Condemned():
            return "Condemned", fact.reason, fact.criterion, fact.clause
        case RenderedUnusable():
            return "Made unusable", fact.how, "", ""
        case Rejected():
            return "Rejected", fact.reason, fact.criterion_id, fact.clause
        case VisualFailed():
            return "Failed inside look", fact.findings, "", ""
        case HoldPlaced():
            return "On hold", fact.reason, fact.rule_id, ""
        case Recalled():
            return "Recalled", fact.reason, fact.campaign, ""
        case ReportedStolen():
            return "Reported stolen", fact.reason, "", ""
        case _:  # A kind of block from newer software: we cannot say more, and we do not fill.
            return "Blocked", "This software does not know the kind of record that blocks it.", "", ""
