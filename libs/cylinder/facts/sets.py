"""Two cylinders on one manifold are filled at once: their visits go together until they are parted."""

from __future__ import annotations

from uuid import UUID

from cylinder.facts.shape import VisitFact


class SetJoined(VisitFact):
    """This visit's cylinder stands on one manifold with that of another visit. Each of the two says so."""

    KIND = "visit.set_joined"
    other: UUID


class SetParted(VisitFact):
    """It goes on alone."""

    KIND = "visit.set_parted"
    other: UUID
