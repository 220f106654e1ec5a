"""Fills of a cylinder that was found bad: who may be breathing from it, and whether the shop could have known.

Pure. An exposure is one (block, fill); its id follows from both, so that replaying makes no second one. A block that a
valid clear had lifted, as far as the filling shop held it, exposes nobody; when the proof of that clear falls, it does.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from uuid import UUID, uuid5

from cylinder.basis import Basis
from cylinder.facts import Condemned, Rejected, RenderedUnusable, VisualFailed
from cylinder.recorded import HUB, Recorded
from cylinder.standing import standing

EXPOSING_KINDS = frozenset({Condemned.KIND, Rejected.KIND, RenderedUnusable.KIND, VisualFailed.KIND})
"""Blocks that call back a fill. A hold is a doubt, not a finding, and calls back nothing."""

_EXPOSURE_NAMES = UUID("6a1c3a3e-6a50-5d0c-9f9c-0f6d1f3b7d11")


@dataclass(frozen=True, slots=True)
class BlockAt:
    """A block with its place in the shared log and the day of the finding."""

    id: UUID
    kind: str
    node: str
    position: int
    performed_on: dt.date


@dataclass(frozen=True, slots=True)
class FillAt:
    """A completed fill with what its shop had seen: the feed position, and the shop itself."""

    id: UUID
    node: str
    position: int
    seen_position: int
    performed_on: dt.date


@dataclass(frozen=True, slots=True)
class Numbered:
    """A fact at its position in the shared log."""

    fact: Recorded
    position: int


@dataclass(frozen=True, slots=True)
class Exposure:
    """One fill of a cylinder that was found bad. `knew`: the shop's own facts held it against the cylinder."""

    id: UUID
    block: BlockAt
    fill: FillAt
    knew: bool


def exposure_id(block_id: UUID, fill_id: UUID) -> UUID:
    """The one id of this (block, fill)."""
    return uuid5(_EXPOSURE_NAMES, f"{block_id} {fill_id}")


def is_exposed(block: BlockAt, fill: FillAt) -> bool:
    """Whether this fill was made on or after the day of the finding. Days, not clocks: when in doubt, yes."""
    return block.kind in EXPOSING_KINDS and fill.performed_on >= block.performed_on


def knew(block: BlockAt, fill: FillAt) -> bool:
    """Whether the filling shop held the block when it filled: it had read that far, or wrote it itself before."""
    return was_held(block.node, block.position, fill)


def was_held(node: str, position: int, fill: FillAt) -> bool:
    """Whether the filling shop held a fact when it filled: its own from before, or one that it had read."""
    return position < fill.position if node == fill.node else position <= fill.seen_position


def exposures_of(
    cylinder_id: UUID,
    fills: Iterable[FillAt],
    facts: Sequence[Numbered],
    credentials: Sequence[Numbered],
    *,
    hub: str = HUB,
) -> tuple[Exposure, ...]:
    """The exposures among the fills recorded of this cylinder, by all that was gathered for it."""
    basis = Basis.of(cylinder_id, [one.fact for one in facts], [one.fact for one in credentials], hub=hub)
    place = {one.fact.id: one for one in (*facts, *credentials)}
    stands_on: dict[UUID, list[UUID]] = {}
    found: dict[UUID, Recorded] = {}
    for record in basis.group:
        for fact in basis.blocks_on(record):
            if fact.kind in EXPOSING_KINDS:
                found[fact.id] = fact
                stands_on.setdefault(fact.id, []).append(record)
    cases: list[Exposure] = []
    for block_id in sorted(found):
        fact = found[block_id]
        block = BlockAt(block_id, fact.kind, fact.node, place[block_id].position, fact.performed_on)
        answers = [basis.answers(fact, record) for record in stands_on[block_id]]
        if fact.kind == Condemned.KIND and answers[0]:
            continue  # Annulled: it was never about this metal.
        for fill in fills:
            lifted = all(
                any(was_held(place[one].fact.node, place[one].position, fill) for one in lifting)
                for lifting in answers
            )
            if is_exposed(block, fill) and not lifted:
                known = _knew(cylinder_id, block_id, fill, facts, credentials, hub)
                cases.append(Exposure(exposure_id(block_id, fill.id), block, fill, known))
    return tuple(cases)


def _knew(
    cylinder_id: UUID,
    block_id: UUID,
    fill: FillAt,
    facts: Sequence[Numbered],
    credentials: Sequence[Numbered],
    hub: str,
) -> bool:
    """Whether the facts that the shop held at that moment, and no others, held this block against this cylinder."""
    held, vouching = (
        [one.fact for one in some if was_held(one.fact.node, one.position, fill)]
        for some in (facts, credentials)
    )
    then = standing(cylinder_id, held, vouching, hub=hub)
    return block_id in {block.id for block in then.blocks}
