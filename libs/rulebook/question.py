"""Answers the counter's question with findings: each with its rule, source, edition and words, the gravest first.

It must never answer with a bare yes: what speaks for the fill is a line with a source as well.
"""

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from gas.pressure import Pressure
from rulebook.asked import Asked
from rulebook.condition import (
    Alloy,
    judge_alloy,
    judge_condemned,
    judge_outside,
    judge_oxygen_pressure,
    judge_oxygen_service,
    judge_rejected,
)
from rulebook.dates import judge_life, judge_requalification, judge_visual, judge_wear, unknown_spec
from rulebook.fillers import judge_filler
from rulebook.pack import Finding, Pack
from rulebook.policy import NO_POLICY, StorePolicy, judge_policy
from rulebook.pressures import (
    fill_limit,
    judge_plus,
    judge_rating,
    judge_residual,
    judge_target,
    judge_test_pressure,
)
from rulebook.specs import spec_known
from rulebook.stamps import judge_approval, judge_mark
from rulebook.year_month import YearMonth

_GRAVITY: Final = ("refuse", "hold", "tell")


def judge(pack: Pack, asked: Asked, policy: StorePolicy = NO_POLICY) -> list[Finding]:
    """May this cylinder be filled with this gas to this pressure here today? Refuse and hold say no, each with its reason.

    The policy is judged after the pack and apart from it, so that it can add and never take away.
    """
    found = [*_condition(pack, asked)]
    if spec_known(pack, asked.spec) is None:
        found.append(unknown_spec(pack, asked.spec))
    else:
        found += [*_dates(pack, asked), *_pressures(pack, asked), *_metal(pack, asked)]
    found += judge_filler(pack, asked.gas, asked.papers, asked.today)
    found += judge_policy(pack, policy, asked)
    return sorted(dict.fromkeys(found), key=lambda finding: _GRAVITY.index(finding.bearing))


def is_in_the_way(finding: Finding) -> bool:
    """Whether there is no fill before this finding is answered."""
    return finding.bearing != "tell"


def _condition(pack: Pack, asked: Asked) -> Iterator[Finding]:
    if asked.is_condemned:
        yield judge_condemned(pack)
    if asked.is_rejected:
        yield judge_rejected(pack)
    yield from judge_outside(pack, looks_sound=asked.looks_sound)
    yield from judge_oxygen_service(
        pack, asked.gas, is_oxygen_clean=asked.is_oxygen_clean, oxygen_goes_in_pure=asked.oxygen_goes_in_pure
    )
    if asked.residual is not None:
        yield from judge_residual(pack, asked.residual)


def _dates(pack: Pack, asked: Asked) -> Iterator[Finding]:
    found, due = judge_requalification(
        pack,
        asked.spec,
        asked.requalified,
        asked.today,
        is_first=asked.is_first_date,
        stamp=asked.stamp,
        permit=asked.permit,
    )
    yield from found
    if due is not None and asked.today <= due.last_day():
        rule = pack.specification(spec_known(pack, asked.spec) or "").rule
        yield pack.finding_of(rule, "tell", f"In date to the last day of {due}.")
    if (
        asked.manufactured is not None
        and asked.requalified is not None
        and asked.requalified < asked.manufactured
    ):
        seen = f"Requalified {asked.requalified}, made {asked.manufactured}."
        yield pack.finding("date.impossible", "refuse", seen)
    yield from judge_mark(pack, asked.requalification_symbol)
    inside, _ = judge_visual(pack, asked.looked_inside, asked.today, spec=asked.spec)
    yield from inside
    yield from judge_wear(
        pack,
        asked.looked_inside,
        asked.today,
        is_low_risk=asked.is_low_risk,
        is_heavy_service=asked.is_heavy_service,
    )
    yield from judge_life(pack, asked.spec, asked.manufactured, asked.today, permit=asked.permit)


def _pressures(pack: Pack, asked: Asked) -> Iterator[Finding]:
    rating = judge_rating(pack, asked.spec, asked.rated)
    yield from rating
    if any(finding.bearing == "refuse" for finding in rating):
        return  # What was misread, or not read, is no limit for anything.
    if asked.test_pressure is not None:
        yield from judge_test_pressure(pack, asked.spec, asked.rated, asked.test_pressure)
    limit, about = _limit(pack, asked)
    yield from about
    over = judge_target(pack, limit, asked.target)
    yield from over
    if not over:
        yield pack.finding("fill.limit", "tell", f"Limit {limit.words()}.")
    yield from judge_oxygen_pressure(pack, asked.spec, asked.gas, asked.target)


def _limit(pack: Pack, asked: Asked) -> tuple[Pressure, list[Finding]]:
    """How far the fill may go: 10 % more only for a plus that belongs to the latest date and whose conditions were checked."""
    if asked.plus_after is None:
        return asked.rated, []
    against = judge_plus(
        pack,
        plus_after=asked.plus_after,
        requalified=asked.requalified,
        are_conditions_met=asked.are_plus_conditions_met,
    )
    may_carry = pack.specification(spec_known(pack, asked.spec) or "").may_carry_plus
    if not may_carry or not against:
        return fill_limit(pack, asked.spec, asked.rated, plus_stamped=True, store_allows_plus=True)
    if not asked.target.is_above(asked.rated):
        # Not filled beyond the rating, so what the plus lacks is worth a word and no more.
        against = [replace(one, bearing="tell") for one in against]
    return asked.rated, against


def _metal(pack: Pack, asked: Asked) -> Iterator[Finding]:
    metal = pack.specification(spec_known(pack, asked.spec) or "").metal
    alloy: Alloy = asked.alloy
    if alloy == "not known" and metal == "aluminium" and _may_be_6351(pack, asked.manufactured):
        made = "no date of manufacture" if asked.manufactured is None else f"made {asked.manufactured}"
        yield pack.finding("alloy.assumed", "tell", f"Alloy not known, {made}.")
        alloy = "6351-T6"
    yield from judge_alloy(
        pack, asked.spec, alloy, eddy_current_at_latest_test=asked.eddy_current_at_latest_test
    )
    yield from judge_approval(pack, asked.spec, asked.approval)


def _may_be_6351(pack: Pack, manufactured: YearMonth | None) -> bool:
    rule = pack.rule("alloy.assumed")
    last = YearMonth(int(rule.amount("year")), int(rule.amount("month")))
    return manufactured is None or manufactured < last
