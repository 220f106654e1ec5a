"""All that a decision may look at besides the visit itself. Looked up before, once; never during.

Every field is data: the time, the rules, what the network holds, how old that knowledge is.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from uuid import UUID

from cylinder.basis import Basis
from cylinder.facts import CertifiedWork
from cylinder.gases import GasOnHand
from cylinder.marks import Marks
from cylinder.near import Likeness
from cylinder.oxygen import OxygenService
from cylinder.recorded import Origin, Recorded
from cylinder.standing import Standing
from cylinder.visit import Visit
from gas.learning import UNCORRECTED, Correction
from rulebook import NO_POLICY, Pack, Permit, StorePolicy


@dataclass(frozen=True, slots=True)
class Actor:
    """Who asks: staff id, role, certificate and the last day it is good."""

    id: str
    role: str
    certificate: str = ""
    certificate_until: dt.date | None = None
    covers: frozenset[CertifiedWork] | None = None
    """What the certificate is for; None where nobody said, which limits nothing."""
    mixes_until: dt.date | None = None
    """The last good day of their training to mix gas, as a manager here saw it; None where nobody did."""


@dataclass(frozen=True, slots=True)
class LookAlike:
    """A cylinder on record whose serial may be the one that was keyed."""

    cylinder_id: UUID
    marks: Marks
    standing: Standing
    likeness: Likeness


@dataclass(frozen=True, slots=True)
class HousePolicy:
    """What a shop may set; it can only be stricter than the law.

    `calibration_h` is how long a calibration of the gas analyser counts, a shift (common practice, no source).
    `oxygen_service_months` is how long a cleaning for oxygen counts (common practice, no source).
    `news_amber_h` and `news_refuse_h` are the ages of network knowledge at which the age is shown in
    amber, and beyond which only a manager's supervised override goes on.
    """

    people_out_min: int = 20
    calibration_h: int = 8
    news_amber_h: int = 24
    news_refuse_h: int = 24 * 7
    oxygen_service_months: int = 12
    fill_rate_bar_per_min: float = 20.0
    """How fast this shop's whips usually fill. 20 to 40 bar a minute is usual for air (common practice, no source)."""
    fill_rate_max_bar_per_min: float = 40.0
    """Faster than this is warned of."""
    whips: int = 4
    slots: int = 28
    store: StorePolicy = NO_POLICY
    """The shop's own rules on cylinders and gas, laid on top of the pack."""
    permits: tuple[Permit, ...] = ()
    """The special permits that somebody at this shop has read. A cylinder of any other is refused."""


@dataclass(frozen=True, slots=True)
class Around:
    """The surroundings of one decision. `today` is the day by the time floor, in the shop's zone."""

    now: dt.datetime
    today: dt.date
    actor: Actor
    rules: Pack
    policy: HousePolicy = field(default_factory=HousePolicy)
    origin: Origin | None = None
    """Where the next fact will be written: good news counts by its place."""
    credentials: tuple[Recorded, ...] = ()
    """What is known of the one who asks and of this node's keys: the facts on which their good news will rest."""
    standing: Standing | None = None
    basis: Basis | None = None
    """All that the standing rests on, where a command speaks of what was said and not only of what stands."""
    oxygen: OxygenService | None = None
    """Whether the visit's cylinder is clean for oxygen; None where it was not looked up, which counts as not clean."""
    standings: tuple[Standing, ...] = ()
    """The standings of the open visits' cylinders, where a command names several."""
    look_alikes: tuple[LookAlike, ...] = ()
    open_visits: tuple[Visit, ...] = ()
    gases: tuple[GasOnHand, ...] = ()
    """What this shop blends with, as its manager lists it."""
    fill_correction: Correction = UNCORRECTED
    """What this shop's own settled readings make of the heat model."""
    people_out_at: dt.datetime | None = None
    news_age: dt.timedelta | None = None
    """How long ago this shop last heard the network's feed; None is never."""
