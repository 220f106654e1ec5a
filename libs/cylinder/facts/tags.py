"""A cylinder whose serial cannot be read goes by a tag that a shop gave it, until somebody can read it."""

from __future__ import annotations

from typing import Annotated

from pydantic import StringConstraints

from cylinder.facts.shape import Short, VisitFact

PhotoHash = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
"""SHA-256 of a photograph. The photograph itself stays at the shop."""


class CylinderTagged(VisitFact):
    """The serial cannot be read. The cylinder in the subject carries the shop's tag; the shop keeps the photograph."""

    KIND = "visit.cylinder_tagged"
    tag: Annotated[str, StringConstraints(max_length=32)]
    unread: Short
    photo_sha256: PhotoHash
