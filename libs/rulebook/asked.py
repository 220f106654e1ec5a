"""The question of a counter: may this cylinder be filled with this gas to this pressure here today?

Only data. What nobody read or said stays None, and None is never taken for good.
"""

from dataclasses import dataclass
from datetime import date

from gas.mixture import Mix
from gas.pressure import Pressure
from rulebook.condition import Alloy
from rulebook.fillers import Paper
from rulebook.pack import Permit, Stamp
from rulebook.year_month import YearMonth


@dataclass(frozen=True)
class Asked:
    """`today` is the day in the shop's zone. `requalified` is the latest date on the shoulder, `stamp` what it means.

    `is_first_date` says that it is the manufacturer's own; `requalification_symbol` is the sign behind it, empty for none.
    """

    spec: str
    gas: Mix
    rated: Pressure
    target: Pressure
    today: date
    requalified: YearMonth | None
    looked_inside: YearMonth | None
    manufactured: YearMonth | None = None
    stamp: Stamp | None = None
    is_first_date: bool | None = None
    requalification_symbol: str = ""
    permit: Permit | None = None
    approval: str = ""
    test_pressure: Pressure | None = None
    plus_after: YearMonth | None = None
    are_plus_conditions_met: bool | None = None
    residual: Pressure | None = None
    alloy: Alloy = "not known"
    eddy_current_at_latest_test: bool | None = None
    looks_sound: bool | None = None
    is_condemned: bool = False
    is_rejected: bool = False
    is_low_risk: bool | None = None
    is_heavy_service: bool | None = None
    is_oxygen_clean: bool | None = None
    oxygen_goes_in_pure: bool = False
    papers: tuple[Paper, ...] = ()
