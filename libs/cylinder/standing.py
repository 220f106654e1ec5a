"""What the network holds against a cylinder: a pure function of a set of facts.

The same function runs at every node, so every node that holds the same facts says the same. It must
never depend on the order in which facts arrived, on a duplicate, on a clock, or on which shop it runs in.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field

from cylinder.basis import Basis, matters, precedence
from cylinder.block import Block, block_of
from cylinder.clearing import INSPECTING
from cylinder.facts import (
    CylinderIdentified,
    CylinderRegistered,
    Fact,
    RatingRead,
    Requalified,
    VisualPassed,
)
from cylinder.marks import KeyedPressure, Marks, Month
from cylinder.near import bare
from cylinder.proof import Proof
from cylinder.recorded import HUB, Recorded
from rulebook import YearMonth

__all__ = ["Block", "Standing", "digest", "matters", "standing"]


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
    linked: tuple[UUID, ...] = ()
    """The other records of the same cylinder."""
    links: tuple[UUID, ...] = ()
    """The links that say so: good news about the whole names them, and falls with them."""

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


def standing(
    cylinder_id: UUID, facts: Iterable[Recorded], credentials: Iterable[Recorded], *, hub: str = HUB
) -> Standing:
    """Fold a set of facts in any order, with any duplicates.

    `facts` are those of the cylinder and of every record it was ever linked with (others change nothing);
    `credentials` those about the people and nodes that these facts rest on. `gather` finds both.
    """
    basis = Basis.of(cylinder_id, facts, credentials, hub=hub)
    parts = [_Part.of(one, basis) for one in basis.group]
    own = [fact for one in basis.group for fact in basis.facts_on(one)]
    return Standing(
        cylinder_id=cylinder_id,
        marks=_marks(sorted(own, key=lambda fact: fact.id)),
        blocks=_blocks(parts),
        rated=min((part.rated for part in parts if part.rated), key=_lowest_first, default=None),
        requalified=_month(part.requalified_on for part in parts),
        looked_inside=_month(part.looked_inside_on for part in parts),
        facts=len({fact.id for fact in own}),
        linked=tuple(one for one in basis.group if one != cylinder_id),
        links=basis.links,
    )


def digest(standings: Iterable[Standing]) -> str:
    """SHA-256 (hex) over all standings in order of cylinder id: equal at two nodes that know the same."""
    whole = hashlib.sha256()
    for one in sorted(standings, key=lambda one: one.cylinder_id):
        whole.update(one.model_dump_json().encode())
        whole.update(b"\n")
    return whole.hexdigest()


@dataclass(frozen=True, slots=True)
class _Part:
    """One of the records of a cylinder: what stands open on it, and what its bench found."""

    cylinder_id: UUID
    open: tuple[Recorded, ...]
    rated: KeyedPressure | None
    requalified_on: dt.date | None
    looked_inside_on: dt.date | None

    @classmethod
    def of(cls, cylinder_id: UUID, basis: Basis) -> _Part:
        good = basis.good_on(cylinder_id)
        return cls(
            cylinder_id,
            tuple(block for block in basis.blocks_on(cylinder_id) if not basis.answers(block, cylinder_id)),
            _rated(good, basis.proof),
            _latest_day(good, (Requalified,), basis.proof),
            _latest_day(good, (Requalified, VisualPassed), basis.proof),
        )


def _blocks(parts: Sequence[_Part]) -> tuple[Block, ...]:
    """Each open block once, with the records that it stands on; worst first."""
    said: dict[UUID, Recorded] = {}
    on: dict[UUID, list[UUID]] = {}
    for part in parts:
        for fact in part.open:
            if part.cylinder_id not in on.setdefault(fact.id, []):
                on[fact.id].append(part.cylinder_id)
            said[fact.id] = min(said.setdefault(fact.id, fact), fact, key=precedence)
    blocks = [block_of(said[block_id], tuple(on[block_id])) for block_id in said]
    return tuple(sorted(blocks, key=lambda block: (not block.is_for_good, block.is_hold, block.id)))


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


def _rated(good: Sequence[Recorded], proof: Proof) -> KeyedPressure | None:
    """The rating that the next reading is compared with: the bench's latest, else the lowest undisputed reading.

    A reading that disagreed with the record was held and never becomes the record by itself. Of two first
    readings made apart, the lower one counts: a fill within it is within both.
    """
    bench = [
        (fact.performed_on, fact.id, fact.fact.rated)
        for fact in good
        if isinstance(fact.fact, (VisualPassed, Requalified))
        and fact.fact.rated is not None
        and proof.is_good(fact, INSPECTING)
    ]
    if bench:
        return max(bench, key=lambda one: one[:2])[2]
    read = [
        fact.fact.rated
        for fact in good
        if isinstance(fact.fact, RatingRead) and fact.fact.agrees and proof.is_genuine(fact)
    ]
    return min(read, key=_lowest_first, default=None)


def _lowest_first(rated: KeyedPressure) -> tuple[float, str, float]:
    return rated.pressure.pascal, rated.unit, rated.value


def _latest_day(good: Sequence[Recorded], kinds: tuple[type[Fact], ...], proof: Proof) -> dt.date | None:
    """The day of the latest valid work of these kinds, by the day it was performed and never by arrival."""
    days = [
        fact.performed_on for fact in good if isinstance(fact.fact, kinds) and proof.is_good(fact, INSPECTING)
    ]
    return max(days, default=None)


def _month(days: Iterable[dt.date | None]) -> str | None:
    """The earliest of the records' latest days, and none where one record has none: a link makes no date younger."""
    found = list(days)
    known = [day for day in found if day is not None]
    return str(YearMonth.of(min(known))) if known and len(known) == len(found) else None
