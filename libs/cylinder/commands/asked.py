"""What every command carries: the key made when the human acted."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field


class Asked(BaseModel):
    """Asked by a tap; the same key twice is one tap."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    key: UUID


class VisitAsked(Asked):
    """Asked about one visit."""

    visit_id: UUID
    version: Annotated[int, Field(ge=0)] | None = None
    """The visit's version on the page that asked; None does not compare."""
