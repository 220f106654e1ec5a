"""A fact as a log gives it back: the body that this software understands, and the header that all do."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol
from uuid import UUID, uuid5

from pydantic import JsonValue, ValidationError

from cylinder.facts import KINDS, EffectName, Fact, UnknownFact


class Header(Protocol):
    """The part of an event that a cylinder's life needs. The envelope library's Event has it; nothing here knows that."""

    @property
    def id(self) -> UUID: ...
    @property
    def kind(self) -> str: ...
    @property
    def v(self) -> int: ...
    @property
    def effect(self) -> str: ...
    @property
    def subject(self) -> str: ...
    @property
    def body(self) -> Mapping[str, JsonValue]: ...
    @property
    def performed_on(self) -> dt.date: ...
    @property
    def at(self) -> dt.datetime: ...
    @property
    def actor(self) -> str: ...
    @property
    def role(self) -> str: ...
    @property
    def diver_ref(self) -> str | None: ...
    @property
    def clears(self) -> Sequence[UUID]: ...


class Placed(Protocol):
    """Where an envelope stands in its node's log. The envelope library's Place has it; nothing here knows that."""

    @property
    def node(self) -> str: ...
    @property
    def key_id(self) -> str: ...
    @property
    def inc(self) -> UUID: ...
    @property
    def seq(self) -> int: ...


HUB = "hub"
"""The node of the network itself: only its word counts about keys, and it may speak about people everywhere."""

_EFFECTS: dict[str, EffectName] = {"block": "block", "clear": "clear", "neutral": "neutral"}


_BLOCKING_KINDS = frozenset(kind.KIND for kind in KINDS.values() if kind.EFFECT == "block")


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a fact was written: node, key, incarnation of the node's log, number in it.

    `is_proven` is false where the signature could not be checked here. Such a fact may block; it is never good news.
    """

    node: str
    key_id: str
    inc: UUID
    seq: int
    is_proven: bool = True


@dataclass(frozen=True, slots=True)
class Recorded:
    """One recorded fact. `at` is the shop's clock, shown and never used to order."""

    id: UUID
    kind: str
    fact: Fact
    effect: EffectName
    subject: str
    performed_on: dt.date
    at: dt.datetime
    actor: str
    role: str
    origin: Origin
    diver_ref: str | None = None
    clears: tuple[UUID, ...] = ()

    @property
    def node(self) -> str:
        """The shop's slug."""
        return self.origin.node

    def says_the_same_as(self, other: Recorded) -> bool:
        """Whether it is the same fact of the same node, wherever in its log it stands."""
        return self == other or (self.node == other.node and replace(self, origin=other.origin) == other)


@dataclass(frozen=True, slots=True)
class NewFact:
    """What `decide` wants recorded. The desk gives it an id, a place, an actor and what was seen."""

    fact: Fact
    subject: str
    performed_on: dt.date
    diver_ref: str | None = None
    clears: tuple[UUID, ...] = field(default=())


def origin_of(place: Placed, *, is_proven: bool = True) -> Origin:
    """Where an envelope stands, for the fact that it carries."""
    return Origin(place.node, place.key_id, place.inc, place.seq, is_proven)


def recorded(header: Header, origin: Origin) -> Recorded:
    """Read a stored event. A body that does not fit its kind becomes UnknownFact: its effect still counts.

    A kind that blocks does so whatever the header says: a condemnation sent as "neutral" is a condemnation.
    """
    model = KINDS.get((header.kind, header.v))
    fact: Fact
    try:
        if model is None:
            raise LookupError(header.kind)
        fact = model.model_validate(dict(header.body))
    except (LookupError, ValidationError):
        fact = UnknownFact(kind=header.kind, version=header.v)
    return Recorded(
        id=header.id,
        kind=header.kind,
        fact=fact,
        effect="block" if header.kind in _BLOCKING_KINDS else _EFFECTS.get(header.effect, "block"),
        subject=_canonical(header.subject),
        performed_on=header.performed_on,
        at=header.at,
        actor=header.actor,
        role=header.role,
        origin=origin,
        diver_ref=header.diver_ref,
        clears=tuple(header.clears),
    )


def _canonical(subject: str) -> str:
    """A cylinder's id has one spelling here: a block must not miss its cylinder by a capital letter."""
    cylinder_id = cylinder_of(subject)
    return subject if cylinder_id is None else cylinder_subject(cylinder_id)


def derived_id(key: UUID, name: str) -> UUID:
    """An id that follows from the tap's own key, so that the same tap makes the same ids again."""
    return uuid5(key, name)


def cylinder_subject(cylinder_id: UUID) -> str:
    """The subject of facts about a cylinder."""
    return f"cylinder/{cylinder_id}"


def visit_subject(visit_id: UUID) -> str:
    """The subject of a visit's facts until its cylinder is identified."""
    return f"visit/{visit_id}"


def actor_subject(actor_id: str) -> str:
    """The subject of facts about a member of staff."""
    return f"actor/{actor_id}"


def node_subject(node: str) -> str:
    """The subject of facts about a node and its keys."""
    return f"node/{node}"


def cylinder_of(subject: str) -> UUID | None:
    """The cylinder that a subject names, if it names one."""
    family, _, name = subject.partition("/")
    if family != "cylinder":
        return None
    try:
        return UUID(name)
    except ValueError:
        return None
