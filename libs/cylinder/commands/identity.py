"""Commands about which record a cylinder is, beside those of a visit."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

from pydantic import StringConstraints

from cylinder.commands.asked import Asked, VisitAsked
from cylinder.facts.shape import Short
from cylinder.facts.tags import PhotoHash
from cylinder.marks import MakerSymbol, Month, Serial, SpecMark


class TagUnread(VisitAsked):
    """The serial cannot be read: put it on record under a tag of this shop, with a photograph, and hold it.

    What else is stamped can be read; where the type or the first test cannot, it is not put on record at all.
    """

    command: Literal["tag_unread"] = "tag_unread"
    maker: MakerSymbol
    spec: SpecMark
    first_test: Month
    unread: Short
    photo_sha256: PhotoHash


class ReadTagged(Asked):
    """The serial of a tagged cylinder can be read now. It is keyed twice, the second time without seeing the first."""

    command: Literal["read_tagged"] = "read_tagged"
    cylinder_id: UUID
    serial: Serial
    second_serial: Serial


class AssignBlock(Asked):
    """Say, with the cylinder in hand, that a block which a split carried to both parts belongs to this one."""

    command: Literal["assign_block"] = "assign_block"
    cylinder_id: UUID
    block_id: UUID
    finding: Short
    last_four: Annotated[str, StringConstraints(strip_whitespace=True, max_length=12)]
