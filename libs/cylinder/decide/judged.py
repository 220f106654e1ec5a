"""The rulebook's answer to one visit: the question put together from what was read, once for each type the cylinder is claimed to be.

Pure. It must never take what nobody read for good, and never let pass what `date_findings` stops.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

from cylinder.around import Around
from cylinder.decide.gates import specs_claimed
from cylinder.decide.shoulder import permit_number, reading_of
from cylinder.marks import DateStamp, Marks
from cylinder.stamps import DateMark, Reading
from cylinder.visit import Visit
from gas.mixture import Mix
from gas.pressure import Pressure
from rulebook import (
    Alloy,
    Asked,
    Finding,
    Paper,
    Permit,
    Stamp,
    YearMonth,
    is_in_the_way,
    judge,
    judge_filler,
    judge_full_cylinder,
    judge_mark,
    judge_requalification,
    judge_visual,
    spec_known,
)

_GRAVITY: Final = ("refuse", "hold", "tell")
_NOT_BY_WORDS: Final = ("stamp.which",)
"""Holds that only their own answer lifts: what the date means is said at the dates."""


@dataclass(frozen=True, slots=True)
class Claim:
    """One type that a cylinder is said to be, with the permit that rules it where there is one and somebody has read it."""

    spec: str
    permit: Permit | None = None


@dataclass(frozen=True, slots=True)
class Dates:
    """The dates that count today: the metal's, or the bench's where its record is later."""

    requalified: YearMonth
    stamp: Stamp | None
    signs: tuple[str, ...]
    plus_after: YearMonth | None
    looked_inside: YearMonth | None
    manufactured: YearMonth


def claims_of(state: Visit, around: Around) -> tuple[Claim, ...]:
    """Every type that the marks of this visit and of the record name. Said to be of two, it is held to both."""
    if state.marks is None:
        return ()
    claims = _claims(state.marks, around)
    known = [
        Claim(key, _permit(around, mark.spec) if around.rules.specification(key).numbered else None)
        for key in specs_claimed(around.rules, claims)
        for mark in claims
        if spec_known(around.rules, mark.spec) == key
    ]
    return tuple(dict.fromkeys(known)) or (Claim(state.marks.spec),)


def dates_of(state: Visit, around: Around) -> Dates | None:
    """The dates that count; None before they were read."""
    if state.marks is None or state.dates is None:
        return None
    read, standing = state.dates, around.standing
    stamp = read.stamp or DateStamp()
    made = min(claim.first_test for claim in _claims(state.marks, around))
    reading = reading_of(state.shoulder, around.today)
    bench = standing.requalified if standing and stamp.kind != "expires" else None
    latest = max((one for one in (read.requalified, bench) if one is not None), default=None)
    counts = YearMonth.parse(latest or made)
    is_metal = latest is None or latest == read.requalified
    signs = _signs(stamp, reading, counts) if is_metal else ()
    inside = [one for one in (read.looked_inside, standing.looked_inside if standing else None) if one]
    return Dates(
        requalified=counts,
        stamp=_kind(stamp, around, is_metal=is_metal and latest is not None),
        signs=signs,
        plus_after=_plus_after(stamp, reading, counts if "+" in signs else None),
        looked_inside=YearMonth.parse(max(inside)) if inside else None,
        manufactured=YearMonth.parse(made),
    )


def date_findings(state: Visit, around: Around) -> list[Finding]:
    """What the rulebook says of the dates that were read in this visit, together with the bench's own records."""
    dates = dates_of(state, around)
    if dates is None:
        return []
    # Said to be of two types, it is held to the stricter one.
    findings = [
        finding
        for claim in claims_of(state, around)
        for finding in judge_requalification(
            around.rules, claim.spec, dates.requalified, around.today, stamp=dates.stamp, permit=claim.permit
        )[0]
    ]
    inside_findings, _ = judge_visual(around.rules, dates.looked_inside, around.today)
    return [*dict.fromkeys(findings), *inside_findings]


def judged(state: Visit, around: Around, *, target: Pressure | None = None) -> tuple[Finding, ...]:
    """Every finding on the cylinder of this visit, the gravest first; to its rating where no target was set yet.

    Who may fill is asked of the person at the whip, by `who_fills`.
    """
    dates = dates_of(state, around)
    if state.marks is None or state.rating is None or dates is None:
        return ()
    rated = state.rating.rated.pressure
    reading = reading_of(state.shoulder, around.today)
    found = [
        finding
        for claim in claims_of(state, around)
        for finding in judge(
            around.rules,
            _asked(state, around, claim, dates, reading, rated=rated, target=target or rated),
            around.policy.store,
        )
    ]
    found += date_findings(state, around)  # Also where the type is unknown, for every reason at once.
    found += [finding for sign in dates.signs[1:] for finding in judge_mark(around.rules, sign)]
    return tuple(sorted(_answered(found), key=lambda one: _GRAVITY.index(one.bearing)))


def who_fills(state: Visit, around: Around) -> tuple[Finding, ...]:
    """The papers that law or practice ask of the person who fills this gas, as far as the one who looks has not shown them."""
    mix, until = _mix(state), around.actor.mixes_until
    papers = () if until is None else (Paper("mix training", until),)
    return tuple(judge_filler(around.rules, mix, papers, around.today)) if mix is not None else ()


def until_empty(state: Visit, around: Around, filled_on: date) -> tuple[Finding, ...]:
    """What the rules say of the gas that is in it since that day: filled in date it is used until empty, and not filled again."""
    dates = dates_of(state, around)
    if dates is None:
        return ()
    found = [
        finding
        for claim in claims_of(state, around)
        for finding in judge_full_cylinder(
            around.rules,
            claim.spec,
            dates.requalified,
            filled_on,
            around.today,
            stamp=dates.stamp,
            permit=claim.permit,
        )
        if ".requalification.filled_" in finding.rule_id
    ]
    return tuple(dict.fromkeys(found))


def in_the_way(found: tuple[Finding, ...], looked_into: tuple[str, ...]) -> tuple[Finding, ...]:
    """What stops: every refusal, and every hold that no inspector has looked into."""
    return tuple(
        one for one in found if is_in_the_way(one) and not (is_answerable(one) and one.rule_id in looked_into)
    )


def is_answerable(finding: Finding) -> bool:
    """Whether an inspector's look answers it: a hold asks a person to look first, a refusal asks nobody."""
    return finding.bearing == "hold" and not finding.rule_id.endswith(_NOT_BY_WORDS)


def _claims(marks: Marks, around: Around) -> tuple[Marks, ...]:
    return (marks, *(around.standing.marks if around.standing else ()))


def _permit(around: Around, spec: str) -> Permit | None:
    number = permit_number(spec)
    return next((one for one in around.policy.permits if one.number == number), None)


def _kind(stamp: DateStamp, around: Around, *, is_metal: bool) -> Stamp | None:
    """What the date means where the rules leave it open. A first test, and work of a bench, are tests."""
    if around.rules.stamped_date == "test":
        return None
    return stamp.kind if is_metal else "tested"


def _signs(stamp: DateStamp, reading: Reading | None, month: YearMonth) -> tuple[str, ...]:
    """The signs behind this very date, keyed or typed: what either of them shows counts."""
    typed = [sign for mark in _date_marks(reading) if mark.month == month for sign in mark.suffixes]
    return tuple(dict.fromkeys((*stamp.signs, *typed)))


def _plus_after(stamp: DateStamp, reading: Reading | None, with_plus: YearMonth | None) -> YearMonth | None:
    """The latest date with a plus behind it, whichever date is the latest of all."""
    typed = [mark.month for mark in _date_marks(reading) if "+" in mark.suffixes]
    keyed = [YearMonth.parse(stamp.plus_after)] if stamp.plus_after else []
    return max([*typed, *keyed, *([with_plus] if with_plus else [])], default=None)


def _date_marks(reading: Reading | None) -> tuple[DateMark, ...]:
    if reading is None:
        return ()
    made = (reading.stamps.made,) if reading.stamps.made else ()
    return (*made, *reading.stamps.requalifications)


def _mix(state: Visit) -> Mix | None:
    """The gas wanted; None where its shares are more than a whole, which the greeting and the fill refuse."""
    gas = state.gas
    if gas.oxygen_percent + gas.helium_percent > 100:
        return None
    return Mix(oxygen_fraction=gas.oxygen_percent / 100, helium_fraction=gas.helium_percent / 100)


def _asked(
    state: Visit,
    around: Around,
    claim: Claim,
    dates: Dates,
    reading: Reading | None,
    *,
    rated: Pressure,
    target: Pressure,
) -> Asked:
    mix = _mix(state) or Mix(0.209)
    stamps = reading.stamps if reading is not None else None
    return Asked(
        spec=claim.spec,
        gas=mix,
        rated=rated,
        target=target,
        today=around.today,
        requalified=dates.requalified,
        looked_inside=dates.looked_inside,
        manufactured=dates.manufactured,
        stamp=dates.stamp,
        requalification_symbol=dates.signs[0] if dates.signs else "",
        permit=claim.permit,
        approval=_approval(around, claim, reading),
        test_pressure=stamps.test if stamps else None,
        plus_after=dates.plus_after,
        alloy=_alloy(stamps.alloy if stamps else ""),
        eddy_current_at_latest_test="VE" in dates.signs,
        looks_sound=_looks_sound(state),
        is_oxygen_clean=around.oxygen is not None and around.oxygen.is_clean,
        is_condemned=reading is not None and reading.is_condemned,
        papers=tuple(Paper(line.paper, None) for line in around.rules.fillers),
    )


def _approval(around: Around, claim: Claim, reading: Reading | None) -> str:
    """The approval as stamped: the one these rules ask for, where several signs could be one."""
    key = spec_known(around.rules, claim.spec)
    if reading is None or key is None:
        return ""
    stamps = reading.stamps
    read = [one for one in (stamps.approval, "UN" if stamps.is_un else "", *stamps.also) if one]
    wanted = around.rules.specification(key).approvals
    return next((one for one in read if one.startswith(wanted)), stamps.approval) if wanted else ""


def _alloy(stamped: str) -> Alloy:
    if not stamped:
        return "not known"
    return "6351-T6" if "6351" in stamped else "other"


def _looks_sound(state: Visit) -> bool | None:
    """Not sound was a hold at its step: where it goes on all the same, an inspector has answered that hold."""
    if state.outside is None:
        return None
    return state.outside.sound or state.held is None


def _answered(found: list[Finding]) -> Iterator[Finding]:
    """A rating below any in use was held when it was read, and an inspector answered: from here on it is told."""
    for one in dict.fromkeys(found):
        is_old = one.bearing == "hold" and one.rule_id.endswith("rating.beyond_use")
        yield replace(one, bearing="tell") if is_old else one
