"""What a shop's own log lacks, said by its manager: an honest hole is better than a smooth story."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from pydantic import Field, StringConstraints

from cylinder.facts.shape import Fact


class GapStated(Fact):
    """The records of one incarnation after a number are missing, or may be. It changes no standing.

    `after_seq` is the last one that is held again; `hub_seq` the last one that the network holds, if any.
    """

    KIND = "branch.gap_stated"
    parent_inc: UUID
    after_seq: Annotated[int, Field(ge=0)]
    hub_seq: Annotated[int, Field(ge=0)] | None = None
    words: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=500)]
