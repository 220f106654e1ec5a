"""Commands of a twinset: two cylinders of one diver on one manifold."""

from __future__ import annotations

from typing import Literal
from uuid import UUID

from cylinder.commands.asked import VisitAsked


class JoinSet(VisitAsked):
    """This cylinder and that of another visit stand on one manifold."""

    command: Literal["join_set"] = "join_set"
    other_id: UUID


class PartSet(VisitAsked):
    """They do not: each goes on alone."""

    command: Literal["part_set"] = "part_set"
