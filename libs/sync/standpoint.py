"""Where a shop's node stands, as its database keeps it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from uuid import UUID

from eventlog.event import NO_HASH
from eventlog.feed import Cursor


@dataclass(frozen=True, slots=True)
class Standpoint:
    """The head of the own log, what the hub has acknowledged of it, and how far the feed was read.

    `trouble` says why the hub refused the last push, until one is accepted again: a person should look. `relearning` says why
    it may not call its news heard until it has read the feed to its head (it was restored, and has forgotten things
    that it knew); empty when it need not. `ticket` is the turn that the hub gave at the last beat. `parent` is the
    incarnation that the present one follows. `is_suspected`: the hub has seen two nodes speak with this key; what is
    written here still travels, but nothing is filled or found good until the shop is enrolled anew.
    """

    inc: UUID
    seq: int = 0
    hash: str = NO_HASH
    acked_seq: int = 0
    feed: Cursor = field(default_factory=Cursor)
    heard_at: dt.datetime | None = None
    hub_time: dt.datetime | None = None
    trouble: str = ""
    relearning: str = ""
    ticket: str = ""
    parent: UUID | None = None
    is_suspected: bool = False


@dataclass(frozen=True, slots=True)
class Kept:
    """Where a node holds a fact: the place and hash of its envelope, and its position in the feed if it has one."""

    inc: UUID
    seq: int
    hash: str
    position: int | None


@dataclass(frozen=True, slots=True)
class Fresh:
    """What a new incarnation needs and the core may not make: two ids."""

    inc: UUID
    opening_id: UUID
