"""What the network holds against a cylinder: a pure function of a set of facts.

The same function runs at every node, so every node that holds the same facts says the same. It must
never depend on the order in which facts arrived, on a duplicate, on a clock, or on which shop it runs in.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable, Mapping
from typing import Annotated
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field

from cylinder.facts import (
    Condemned,
    CylinderIdentified,
    CylinderRegistered,
    DatesRead,
    Fact,
    HoldPlaced,
    HoldReleased,
    RatingRead,
    Rejected,
    RenderedUnusable,
    Requalified,
    UnknownFact,
    VisualFailed,
    VisualPassed,
)  # fmt: skip
from cylinder.marks import KeyedPressure, Marks, Month
from cylinder.near import bare
from cylinder.recorded import Recorded
from rulebook import YearMonth

_INSPECTING = frozenset({"inspector"})

CLEARED_BY: Mapping[str, Mapping[str, frozenset[str]]] = {
    HoldPlaced.KIND: {
        HoldReleased.KIND: _INSPECTING,
        VisualPassed.KIND: _INSPECTING,
        Requalified.KIND: _INSPECTING,
    },
    VisualFailed.KIND: {VisualPassed.KIND: _INSPECTING, Requalified.KIND: _INSPECTING},
    Rejected.KIND: {Requalified.KIND: _INSPECTING},
    Condemned.KIND: {},  # 49 CFR 180.203: "may not be restored by repair, rebuilding, requalification, or any other procedure".
    RenderedUnusable.KIND: {},
}
"""Which kind of clear, by which role, lifts which kind of block. A block of an unknown kind is lifted by nothing."""

_NEUTRAL_KINDS = frozenset(
    {CylinderRegistered.KIND, CylinderIdentified.KIND, RatingRead.KIND, DatesRead.KIND}
)


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

    @property
    def is_for_good(self) -> bool:
        """Condemned or made unusable: no procedure lifts it."""
        return self.kind in (Condemned.KIND, RenderedUnusable.KIND)

    @property
    def is_hold(self) -> bool:
        """On hold: an inspector at any shop can answer it."""
        return self.kind == HoldPlaced.KIND


class Standing(BaseModel):
    """What is known of one cylinder. `blocks` holds every block that no valid clear names, worst first."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    cylinder_id: UUID
    marks: tuple[Marks, ...] = ()
    blocks: tuple[Block, ...] = ()
    rated: KeyedPressure | None = None
    requalified: Month | None = None
    looked_inside: Month | None = None
    facts: Annotated[int, Field(ge=0)] = 0

    @property
    def is_clear(self) -> bool:
        """Nothing is held against it, as far as these facts go."""
        return not self.blocks

    @property
    def is_condemned(self) -> bool:
        """Condemned or made unusable."""
        return any(block.is_for_good for block in self.blocks)

    @property
    def is_only_held(self) -> bool:
        """Every block is a hold that an inspector can answer."""
        return bool(self.blocks) and all(block.is_hold for block in self.blocks)


def matters(fact: Recorded) -> bool:
    """Whether a fact can change a standing; the rest need not be looked up to fold one."""
    return fact.effect != "neutral" or fact.kind in _NEUTRAL_KINDS


def standing(cylinder_id: UUID, facts: Iterable[Recorded]) -> Standing:
    """Fold a set of facts of one cylinder, in any order, with any duplicates."""
    each: dict[UUID, Recorded] = {}
    for fact in facts:
        if not matters(fact):
            continue
        other = each.setdefault(fact.id, fact)
        if other != fact:  # One id, two contents: a fault or a forgery. The same one counts at every node.
            each[fact.id] = min(fact, other, key=_precedence)
    ordered = [each[fact_id] for fact_id in sorted(each)]
    cleared = _cleared(ordered)
    blocks = [_block(fact) for fact in ordered if fact.effect == "block" and fact.id not in cleared]
    return Standing(
        cylinder_id=cylinder_id,
        marks=_marks(ordered),
        blocks=tuple(sorted(blocks, key=lambda block: (not block.is_for_good, block.is_hold, block.id))),
        rated=_rated(ordered),
        requalified=_latest_month(ordered, (Requalified,)),
        looked_inside=_latest_month(ordered, (Requalified, VisualPassed)),
        facts=len(ordered),
    )


def may_clear(block_kind: str, clear_kind: str, role: str) -> bool:
    """Whether a clear of this kind by this role lifts a block of this kind."""
    return role in CLEARED_BY.get(block_kind, {}).get(clear_kind, frozenset())


def digest(standings: Iterable[Standing]) -> str:
    """SHA-256 (hex) over all standings in order of cylinder id: equal at two nodes that know the same."""
    whole = hashlib.sha256()
    for one in sorted(standings, key=lambda one: one.cylinder_id):
        whole.update(one.model_dump_json().encode())
        whole.update(b"\n")
    return whole.hexdigest()


def _precedence(fact: Recorded) -> tuple[bool, str, str]:
    """A block before anything else; then an order that has no meaning, but is everywhere the same."""
    return fact.effect != "block", fact.kind, repr(fact)


def _cleared(ordered: list[Recorded]) -> frozenset[UUID]:
    """The blocks that a valid clear names. A clear of an unknown kind, or by another role, names nothing."""
    kind_of = {fact.id: fact.kind for fact in ordered if fact.effect == "block"}
    return frozenset(
        block_id
        for fact in ordered
        if fact.effect == "clear" and not isinstance(fact.fact, UnknownFact)
        for block_id in fact.clears
        if may_clear(kind_of.get(block_id, ""), fact.kind, fact.role)
    )


def _block(fact: Recorded) -> Block:
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
        case _:  # A kind of block from newer software: we cannot say more, and we do not fill.
            return "Blocked", "This software does not know the kind of record that blocks it.", "", ""


def _marks(ordered: list[Recorded]) -> tuple[Marks, ...]:
    """Every distinct claim, in the order of the ids of the facts that first made it."""
    seen: dict[tuple[str, str, str, str], Marks] = {}
    for fact in ordered:
        match fact.fact:
            case CylinderRegistered(marks=marks) | CylinderIdentified(marks=marks):
                seen.setdefault((bare(marks.serial), marks.maker, marks.spec, marks.first_test), marks)
            case _:
                pass
    return tuple(seen.values())


def _rated(ordered: list[Recorded]) -> KeyedPressure | None:
    """The rating that the next reading is compared with: the bench's latest, else the lowest undisputed reading.

    A reading that disagreed with the record was held and never becomes the record by itself. Of two first
    readings made apart, the lower one counts: a fill within it is within both.
    """
    bench = [
        (fact.performed_on, fact.id, fact.fact.rated)
        for fact in ordered
        if isinstance(fact.fact, (VisualPassed, Requalified))
        and fact.fact.rated is not None
        and fact.role in _INSPECTING
    ]
    if bench:
        return max(bench, key=lambda one: one[:2])[2]
    read = [fact.fact.rated for fact in ordered if isinstance(fact.fact, RatingRead) and fact.fact.agrees]
    return min(read, key=lambda rated: (rated.pressure.pascal, rated.unit, rated.value), default=None)


def _latest_month(ordered: list[Recorded], kinds: tuple[type[Fact], ...]) -> str | None:
    """The month of the latest work of these kinds by an inspector, by the day it was performed and never by arrival."""
    days = [
        fact.performed_on for fact in ordered if isinstance(fact.fact, kinds) and fact.role in _INSPECTING
    ]
    return str(YearMonth.of(max(days))) if days else None
