"""What the office shows, as documents: the pages and the JSON of the API are written from the same ones."""

from __future__ import annotations

import datetime as dt
from typing import Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict

from cylinder.marks import Marks
from cylinder.standing import Standing

Tone = Literal["stop", "hold", "good"]


class _Shown(BaseModel):
    model_config = ConfigDict(frozen=True)


class FoundCylinder(_Shown):
    """A cylinder that a search found. `distance` 0 is the same serial, 1 only misread signs, 2 one slip, 3 a part of it."""

    cylinder_id: UUID
    marks: Marks
    distance: int
    why: str
    standing_words: str
    tone: Tone


class Found(_Shown):
    """The answer to a search."""

    q: str
    cylinders: tuple[FoundCylinder, ...]


class OpenBlock(_Shown):
    """One thing held against a cylinder: what, why, by which criterion, where, who, when."""

    id: UUID
    words: str
    reason: str
    criterion: str
    clause: str
    shop: str
    who: str
    performed_on: dt.date
    tone: Tone


class HistoryRow(_Shown):
    """One fact, in words. `received_at` is when the hub got it, `at` the shop's clock."""

    position: int
    event_id: UUID
    performed_on: dt.date
    at: dt.datetime
    received_at: dt.datetime
    node: str
    shop: str
    who: str
    kind: str
    effect: str
    title: str
    detail: str
    clears: tuple[UUID, ...]
    record: str = ""
    """The serial of the record that it was said of, where several are one cylinder."""


class Fill(_Shown):
    """One completed fill."""

    event_id: UUID
    performed_on: dt.date
    at: dt.datetime
    node: str
    shop: str
    end: str
    rated: str
    gas: str


class Exposure(_Shown):
    """A fill of a cylinder that was found bad. `knew`: the shop held the finding when it filled."""

    id: UUID
    cylinder_id: UUID
    serial: str
    finding: str
    found_on: dt.date
    found_at: str
    filled_on: dt.date
    filled_at: str
    knew: bool


class FillInQuestion(_Shown):
    """A fill that the audit found wanting. `held`: what stood open by the facts that the shop held then."""

    fill_id: UUID
    cylinder_id: UUID
    serial: str
    shop: str
    filled_on: dt.date
    seen_position: int
    held: tuple[str, ...]


class Audit(_Shown):
    """The last time that every fill was judged again; no `at` before the first time."""

    at: dt.datetime | None = None
    position: int = 0
    fills: int = 0
    could_not_have_known: int = 0
    knew: tuple[FillInQuestion, ...] = ()
    cannot_say: tuple[FillInQuestion, ...] = ()


class CylinderLife(_Shown):
    """Everything known of one cylinder. `as_of` is the feed position that it was read to."""

    cylinder_id: UUID
    as_of: int
    standing: Standing
    standing_words: str
    tone: Tone
    blocks: tuple[OpenBlock, ...]
    history: tuple[HistoryRow, ...]
    is_cut: bool
    fills: tuple[Fill, ...]
    exposures: tuple[Exposure, ...]


class Shop(_Shown):
    """How fresh one node is. `behind` counts feed positions it has not absorbed, as far as the hub has heard."""

    node: str
    name: str
    role: str
    is_revoked: bool
    heard_at: dt.datetime | None
    absorbed: int
    behind: int
    facts: int
    last_fact_at: dt.datetime | None


class Exposures(_Shown):
    """All of them, newest first; `in_all` may be more than are listed."""

    in_all: int
    knew: int
    exposures: tuple[Exposure, ...]


class Witnessed(_Shown):
    """The last signed checkpoint, and the shops whose own copy of the log gives the same."""

    position: int
    hub_time: dt.datetime
    cosigned_by: tuple[str, ...]


class Shops(_Shown):
    """Every node, where the feed stands, and how far it was signed; no checkpoint before the first one."""

    position: int
    read_to: int
    shops: tuple[Shop, ...]
    checkpoint: Witnessed | None = None
