"""Commands about which record a cylinder is, beside those of a visit."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

from pydantic import StringConstraints

from cylinder.commands.asked import Asked
from cylinder.facts.shape import Short


class AssignBlock(Asked):
    """Say, with the cylinder in hand, that a block which a split carried to both parts belongs to this one."""

    command: Literal["assign_block"] = "assign_block"
    cylinder_id: UUID
    block_id: UUID
    finding: Short
    last_four: Annotated[str, StringConstraints(strip_whitespace=True, max_length=12)]
