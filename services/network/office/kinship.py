"""Two records beside one another, and the officer's word that they are one cylinder, or are not after all.

Owns no table: it reads what the projections hold, decides by `cylinder.decide.same_metal`, and writes to the hub's own
log, all in the caller's transaction. Must never judge by itself.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from uuid import UUID

from pydantic import BaseModel, ConfigDict

from cylinder.basis import Basis
from cylinder.decide.same_metal import cannot_be_one, link, open_blocks, split
from cylinder.facts import IdentitiesLinked
from cylinder.gather import gather
from cylinder.marks import Marks
from cylinder.near import likeness
from cylinder.recorded import NewFact, actor_subject, cylinder_of
from eventlog.event import Effect
from network.office.documents import CylinderLife, FoundCylinder, OpenBlock
from network.office.look_up import find_cylinders, life_of, names, own_serial
from network.own_log import OwnLog, Statement
from network.projections.filing import Filing
from network.store.database import Tx
from sync.at_hub import Appended

STAMPED = ("Serial", "Maker's symbol", "Type")
known_key = "select 1 from feed where event_id = %s"


class _Shown(BaseModel):
    model_config = ConfigDict(frozen=True)


class Compared(_Shown):
    """One line of the comparison: the same thing as each record has it."""

    what: str
    one: tuple[str, ...]
    other: tuple[str, ...]
    differs: bool
    is_stamped: bool


class Beside(_Shown):
    """Two records side by side. `union` is what would be held against both, `why_not` what refuses the link already."""

    one: CylinderLife
    other: CylinderLife
    likeness: str
    lines: tuple[Compared, ...]
    union: tuple[OpenBlock, ...]
    why_not: tuple[str, ...]


class HoldingLink(_Shown):
    """A link that holds: between which serials, who said so and why."""

    id: UUID
    between: str
    said: str
    why: str


class Whole(_Shown):
    """The records that are one cylinder now, the links that say so, and the blocks that each part would keep."""

    life: CylinderLife
    links: tuple[HoldingLink, ...]
    blocks: tuple[OpenBlock, ...]


def candidates(tx: Tx, cylinder_id: UUID, q: str) -> tuple[FoundCylinder, ...]:
    """Records that may be the same cylinder: those near to what was keyed, else near to its own serials."""
    life = life_of(tx, cylinder_id)
    own = () if life is None else life.standing.marks
    asked = [q] if q else [marks.serial for marks in own]
    known = {cylinder_id, *(() if life is None else life.standing.linked)}
    found = {one.cylinder_id: one for serial in asked for one in find_cylinders(tx, serial).cylinders}
    return tuple(one for one in found.values() if one.cylinder_id not in known)


def beside(tx: Tx, one_id: UUID, other_id: UUID, officer: str) -> Beside | None:
    """Both lives side by side; None when the network has no record of one of them."""
    one, other = life_of(tx, one_id), life_of(tx, other_id)
    if one is None or other is None:
        return None
    reasons = cannot_be_one(_basis(tx, one_id, officer), one_id, _basis(tx, other_id, officer), other_id)
    union = {block.id: block for block in (*one.blocks, *other.blocks)}
    return Beside(
        one=one, other=other, likeness=_likeness(one.standing.marks, other.standing.marks),
        lines=_lines(one, other), union=tuple(union.values()),
        why_not=tuple(reason.words for reason in reasons),
    )  # fmt: skip


def whole(tx: Tx, cylinder_id: UUID, officer: str) -> Whole | None:
    """The records that are one with this one; None when the network has no record of it."""
    life, called = life_of(tx, cylinder_id), names(tx)
    if life is None:
        return None
    basis = _basis(tx, cylinder_id, officer)
    links = []
    for fact in basis.linking():
        ends = (
            cylinder_of(fact.subject),
            fact.fact.other if isinstance(fact.fact, IdentitiesLinked) else None,
        )
        said = f"{called.who(fact.actor)}, {called.shop(fact.node)}, {fact.performed_on:%d %b %Y}"
        why = fact.fact.why if isinstance(fact.fact, IdentitiesLinked) else ""
        between = " and ".join(own_serial(tx, end) for end in ends if end is not None)
        links.append(HoldingLink(id=fact.id, between=between, said=said, why=why))
    open_ids = {block.id for block in open_blocks(basis)}
    blocks = tuple(block for block in life.blocks if block.id in open_ids)
    return Whole(life=life, links=tuple(links), blocks=blocks)


def record_link(
    tx: Tx,
    own_log: OwnLog,
    cylinder_id: UUID,
    said: IdentitiesLinked,
    *,
    officer: str,
    key: UUID,
    now: dt.datetime,
) -> Appended | None:
    """Write the link; None when this form was recorded before. Raises Refused."""
    if _is_known(tx, key):
        return None
    one, other = _basis(tx, cylinder_id, officer), _basis(tx, said.other, officer)
    new = link(one, other, said, record=cylinder_id, officer=officer, now=now)
    return own_log.write(tx, [_statement(new, officer, key)], now=now)


def record_split(
    tx: Tx,
    own_log: OwnLog,
    cylinder_id: UUID,
    chosen: Sequence[UUID],
    *,
    why: str,
    evidence: str,
    officer: str,
    key: UUID,
    now: dt.datetime,
) -> Appended | None:
    """Write the split; None when this form was recorded before. Raises Refused."""
    if _is_known(tx, key):
        return None
    new = split(
        _basis(tx, cylinder_id, officer), tuple(chosen), why=why, evidence=evidence, record=cylinder_id,
        officer=officer, now=now,
    )  # fmt: skip
    return own_log.write(tx, [_statement(new, officer, key)], now=now)


def _lines(one: CylinderLife, other: CylinderLife) -> tuple[Compared, ...]:
    pairs = [(what, mine, theirs) for (what, mine), (_, theirs) in zip(_told(one), _told(other), strict=True)]
    return tuple(
        Compared(
            what=what,
            one=mine,
            other=theirs,
            differs=bool(mine and theirs) and set(mine).isdisjoint(theirs),
            is_stamped=what in STAMPED,
        )
        for what, mine, theirs in pairs
    )


def _told(life: CylinderLife) -> list[tuple[str, tuple[str, ...]]]:
    standing = life.standing
    first = min(life.history, key=lambda row: row.at, default=None)
    return [
        ("Serial", _each(marks.serial for marks in standing.marks)),
        ("Maker's symbol", _each(marks.maker for marks in standing.marks)),
        ("Type", _each(marks.spec for marks in standing.marks)),
        ("First test", _each(marks.first_test for marks in standing.marks)),
        ("Rated", _each([standing.rated.words] if standing.rated else [])),
        ("Last requalified", _each([standing.requalified or ""])),
        ("Last inside look", _each([standing.looked_inside or ""])),
        ("First seen", _each([f"{first.performed_on:%d %b %Y}, {first.shop}"] if first else [])),
        ("Shops", _each(sorted(row.shop for row in life.history))),
        ("Fills", (str(len(life.fills)),)),
    ]


def _each(words: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(one for one in words if one))


def _likeness(ours: Sequence[Marks], theirs: Sequence[Marks]) -> str:
    like = [likeness(a.serial, b.serial) for a in ours for b in theirs]
    best = min((one for one in like if one is not None), key=lambda one: one.distance, default=None)
    return "The serials are not alike." if best is None else f"The serials: {best.why}."


def _basis(tx: Tx, cylinder_id: UUID, officer: str) -> Basis:
    filing = Filing(tx, "cylinder")
    found = gather(cylinder_id, filing.look)
    return Basis.of(cylinder_id, found.facts, [*found.credentials, *filing.look(actor_subject(officer))])


def _is_known(tx: Tx, key: UUID) -> bool:
    return tx.execute(known_key, (key,)).fetchone() is not None


def _statement(new: NewFact, officer: str, key: UUID) -> Statement:
    fact = new.fact
    return Statement(
        key, fact.KIND, new.subject, fact.model_dump(mode="json"),
        effect=Effect(fact.EFFECT), actor=officer, role="officer", clears=new.clears, v=fact.V,
    )  # fmt: skip
