"""One fact with its header, before it has a place in any log.

The identity of a fact (`id`) and its place in a chain are separate, so a fact can be put into a new
chain after a restore without becoming another fact.
"""

from __future__ import annotations

import datetime as dt
from enum import StrEnum
from typing import Annotated
from uuid import UUID

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, JsonValue, StringConstraints

Kind = Annotated[str, StringConstraints(pattern=r"^[a-z]+(\.[a-z_]+)+$", max_length=64)]
Subject = Annotated[str, StringConstraints(pattern=r"^[a-z]+/[A-Za-z0-9_-]{1,64}$")]
Word = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_.:@-]{1,64}$")]
Hash = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]

NO_HASH = "0" * 64
"""The hash that stands before the first of anything."""


class Effect(StrEnum):
    """What a fact does to the standing of its subject, readable by software that does not know the kind.

    Unknown and BLOCK means blocked; unknown and CLEAR is ignored.
    """

    BLOCK = "block"
    CLEAR = "clear"
    NEUTRAL = "neutral"


class Seen(BaseModel):
    """The feed position, and its cumulative hash, that the node had absorbed when it decided."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    epoch: Annotated[str, StringConstraints(max_length=64)] = "none"
    position: Annotated[int, Field(ge=0)] = 0
    feed_hash: Hash = NO_HASH


class Event(BaseModel):
    """A fact: what happened, to what, who said so, and what they knew."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: UUID
    kind: Kind
    v: Annotated[int, Field(ge=1)]
    effect: Effect
    subject: Subject
    body: dict[str, JsonValue]
    performed_on: dt.date
    at: AwareDatetime
    seen: Seen
    actor: Word
    role: Word
    software: Word
    diver_ref: Word | None = None
    clears: tuple[UUID, ...] = ()
