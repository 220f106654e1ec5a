"""Cleanliness for oxygen: that a cylinder and its valve were cleaned, that a gas is fit for them, that it is over.

None of these lifts a block. Clean is good news and stands on proof like any other; over is believed from anybody.
"""

from __future__ import annotations

import datetime as dt
from typing import Literal
from uuid import UUID

from cylinder.facts.shape import Fact, Short, VisitFact
from cylinder.marks import Note

Parts = Literal["cylinder and valve", "cylinder", "valve"]


class OxygenCleaned(Fact):
    """Cleaned for oxygen service to this procedure, on the day of the fact. `until` is the last day the shop stated.

    `links` are the links by which this record is one cylinder with others; without one of them it says nothing here.
    """

    KIND = "cylinder.oxygen_cleaned"
    parts: Parts
    procedure: Short
    cleaned_by: Short
    until: dt.date
    links: tuple[UUID, ...] = ()
    certificate: Note = ""


class OxygenServiceEnded(Fact):
    """Oil, a valve from elsewhere, a fill that nobody wrote down: not clean for oxygen until it is cleaned again."""

    KIND = "cylinder.oxygen_service_ended"
    why: Short


class GasFitForOxygen(VisitFact):
    """All gas of this visit's fill is fit for oxygen service, as somebody said before it flowed, and what shows it.

    They also asked the diver: since it was cleaned the cylinder was filled nowhere that wrote nothing down.
    """

    KIND = "visit.gas_fit_for_oxygen"
    shown_by: Short
