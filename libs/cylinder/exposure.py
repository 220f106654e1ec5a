"""Fills of a cylinder that was found bad: who may be breathing from it, and whether the shop could have known.

Pure. An exposure is one (block, fill); its id follows from both, so that replaying makes no second one.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from uuid import UUID, uuid5

from cylinder.facts import Condemned, Rejected, RenderedUnusable, VisualFailed

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


def exposure_id(block_id: UUID, fill_id: UUID) -> UUID:
    """The one id of this (block, fill)."""
    return uuid5(_EXPOSURE_NAMES, f"{block_id} {fill_id}")


def is_exposed(block: BlockAt, fill: FillAt) -> bool:
    """Whether this fill was made on or after the day of the finding. Days, not clocks: when in doubt, yes."""
    return block.kind in EXPOSING_KINDS and fill.performed_on >= block.performed_on


def knew(block: BlockAt, fill: FillAt) -> bool:
    """Whether the filling shop held the block when it filled: it had read that far, or wrote it itself before."""
    if block.node == fill.node:
        return block.position < fill.position
    return block.position <= fill.seen_position
