"""Whether what somebody wants to record of a bank can be so. Pure; refuses with every reason at once.

It must never say that a bottle may be filled: it looks for slips of the finger and for who may set up a bank.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypeAlias
from uuid import UUID

from cylinder.facts import (
    BankBottleRead,
    BankBottleReturned,
    BankBottleWithdrawn,
    BankClosed,
    BankSetUp,
    BankToppedUp,
)
from cylinder.marks import KeyedPressure
from cylinder.refusal import Reason, refuse_if
from gas.mixture import Mix
from plant.bank_state import BankState, BottleState

BankFact: TypeAlias = (
    BankSetUp | BankBottleRead | BankToppedUp | BankBottleWithdrawn | BankBottleReturned | BankClosed
)

# Storage bottles are stamped between these; another figure was read in the wrong unit. Common practice, no source.
_LOWEST_SERVICE_BAR, _HIGHEST_SERVICE_BAR = 50.0, 500.0
# A gauge far above the stamp is a misread gauge: bottles are tested at half as much again (49 CFR 180.205: 5/3 for most).
_MISREAD_FACTOR = 1.5
ANALYSED_WITHIN_FRACTION = 0.01  # As for a cylinder: common practice ±1 % oxygen.


def check(fact: BankFact, bank_id: UUID, banks: Sequence[BankState], *, role: str, whips: int) -> None:
    """Raises Refused with every reason why it cannot be recorded. `whips`: how many the shop has."""
    bank = next((one for one in banks if one.bank_id == bank_id), None)
    if isinstance(fact, BankSetUp):
        others = [one for one in banks if one.bank_id != bank_id]
        refuse_if([*_manager(role), *_set_up(fact, others, whips)])
    elif bank is None:
        refuse_if([Reason("bank.unknown", "There is no such bank here. Set it up first.", "input")])
    elif isinstance(fact, BankClosed):
        refuse_if(_manager(role))
    elif isinstance(fact, BankToppedUp):
        found = [reason for name in fact.bottles for reason in _gauge(bank, name, fact.gauge)]
        refuse_if([*found, *_analysis(bank, fact)])
    elif isinstance(fact, BankBottleRead):
        refuse_if(_gauge(bank, fact.bottle, fact.gauge))
    elif isinstance(fact, BankBottleWithdrawn):
        refuse_if([*_manager(role), *_bottle(bank, fact.bottle)])
    else:
        refuse_if([*_manager(role), *_is_away(bank, fact.bottle)])


def strays(bank: BankState) -> bool:
    """Whether what was analysed is no longer the gas that the bank is for."""
    return (
        bank.is_analysed
        and abs(bank.mix.oxygen_fraction - bank.meant.oxygen_fraction) > ANALYSED_WITHIN_FRACTION + 1e-9
    )


def _manager(role: str) -> Iterator[Reason]:
    if role != "manager":
        yield Reason(
            "bank.manager", "Only a manager sets a bank up, closes it, or takes a bottle out or back."
        )


def _set_up(fact: BankSetUp, others: Sequence[BankState], whips: int) -> Iterator[Reason]:
    for marks in fact.bottles:
        if not _LOWEST_SERVICE_BAR <= marks.service.pressure.bar <= _HIGHEST_SERVICE_BAR:
            yield Reason(
                "bank.service",
                f"Bottle {marks.name}: {marks.service.words} is no service pressure of a storage bottle. Read the stamp and its unit again.",
                "input",
            )
    for whip in sorted(set(fact.whips)):
        if whip > whips:
            yield Reason("bank.whip", f"This shop has {whips} whips: there is no whip {whip}.", "input")
        for other in others:
            if whip in other.whips:
                yield Reason(
                    "bank.whip-taken",
                    f"Whip {whip} is fed by {other.name}. Take it off that bank first.",
                    "input",
                )
    if any(other.name.casefold() == fact.name.casefold() for other in others):
        yield Reason("bank.name", f"There is a bank {fact.name} already.", "input")


def _bottle(bank: BankState, name: str) -> Iterator[Reason]:
    bottle = bank.bottle(name)
    if bottle is None:
        yield Reason("bank.bottle", f"{bank.name} has no bottle {name}.", "input")
    elif bottle.is_withdrawn:
        yield Reason(
            "bank.withdrawn",
            f"Bottle {bottle.name} is withdrawn ({bottle.withdrawn_why}). A manager takes it back first.",
        )


def _is_away(bank: BankState, name: str) -> Iterator[Reason]:
    bottle = bank.bottle(name)
    if bottle is None or not bottle.is_withdrawn:
        yield Reason("bank.not-away", f"{bank.name} has no withdrawn bottle {name}.", "input")


def _gauge(bank: BankState, name: str, gauge: KeyedPressure) -> Iterator[Reason]:
    yield from _bottle(bank, name)
    bottle = bank.bottle(name)
    if bottle is not None and gauge.pressure.bar > bottle.service.bar * _MISREAD_FACTOR:
        yield _misread(bottle, gauge)


def _misread(bottle: BottleState, gauge: KeyedPressure) -> Reason:
    return Reason(
        "bank.gauge",
        f"{gauge.words} is far above the service pressure of bottle {bottle.name}, {bottle.service.words()}. "
        "Read the gauge and its unit again. If it stands there in truth, close the bottle and keep away from it.",
        "input",
    )


def _analysis(bank: BankState, fact: BankToppedUp) -> Iterator[Reason]:
    """A mixture is what was analysed, and nothing else says so."""
    oxygen = fact.oxygen_percent
    if oxygen is None and not bank.is_plain:
        yield Reason(
            "bank.analysis",
            f"{bank.name} holds a mixture: analyse it after topping it up, and key the oxygen.",
            "input",
        )
    if oxygen is not None and oxygen / 100 + bank.meant.helium_fraction > 1 + 1e-9:
        yield Reason(
            "bank.analysis-sum",
            "Oxygen and helium together are more than the whole gas. Analyse it again.",
            "input",
        )
    if (
        oxygen is not None
        and bank.is_plain
        and Mix(oxygen / 100, bank.meant.helium_fraction).words() != bank.meant.words()
    ):
        yield Reason(
            "bank.analysis-other",
            f"{oxygen:g} % oxygen is not {bank.meant.words().lower()}. Close the bank, and find out what was let in.",
            "input",
        )
