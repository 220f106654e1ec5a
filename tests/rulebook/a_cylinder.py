"""One cylinder in good order for each jurisdiction, to be spoiled by a test in one thing at a time."""

from dataclasses import replace
from datetime import date

from gas.mixture import AIR
from gas.pressure import Pressure
from rulebook import Asked, Paper, YearMonth

TODAY = date(2026, 3, 15)

PAPERS = (Paper("approved filler", date(2027, 1, 1)), Paper("mix training", None))

GOOD = Asked(
    spec="",
    gas=AIR,
    rated=Pressure(232, "bar"),
    target=Pressure(232, "bar"),
    today=TODAY,
    requalified=YearMonth(2026, 1),
    looked_inside=YearMonth(2026, 1),
    manufactured=YearMonth(2020, 1),
    stamp="tested",
    alloy="other",
    looks_sound=True,
    is_low_risk=True,
    is_heavy_service=False,
    is_oxygen_clean=False,
    papers=PAPERS,
)


def good_in(jurisdiction: str) -> Asked:
    """A cylinder that may be filled with air today under that pack."""
    if jurisdiction in ("us", "ca"):
        psi = Pressure(3000, "psi")
        return replace(GOOD, spec="3AL", rated=psi, target=psi)
    return replace(GOOD, spec="ISO 7866", approval="LAB 1234")
