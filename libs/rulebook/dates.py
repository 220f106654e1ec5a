"""Judges the dates stamped or stuck on a cylinder: requalification and the look inside.

A due month counts to its last day. A date that was not read, cannot be, or belongs to an unknown specification is refused:
there is no default period.
"""

from datetime import date, datetime, tzinfo
from typing import Final

from rulebook.pack import Bearing, Finding, Pack, Permit, Specification, Stamp
from rulebook.specs import spec_known
from rulebook.year_month import YearMonth

# No cylinder in use is older: the first interstate rules for cylinders are of the early twentieth century (from memory).
EARLIEST_YEAR: Final = 1900


def day_at(moment: datetime, zone: tzinfo) -> date:
    """The day of law at a moment: the day in the shop's zone. ValueError when the moment does not say which instant it is."""
    if moment.tzinfo is None:
        raise ValueError(
            "a moment without a zone is not an instant: nobody can say which day it is at the shop"
        )
    return moment.astimezone(zone).date()


def judge_requalification(
    pack: Pack,
    spec: str,
    requalified: YearMonth | None,
    today: date,
    *,
    is_first: bool | None = None,
    stamp: Stamp | None = None,
    permit: Permit | None = None,
) -> tuple[list[Finding], YearMonth | None]:
    """What the latest requalification date (of a new cylinder, its first test date) says, and the month it is due again.

    `is_first` says that the date is the manufacturer's, and `stamp` what the date means; unsaid, the stricter holds.
    """
    key = spec_known(pack, spec)
    if key is None:
        return [unknown_spec(pack, spec)], None
    if requalified is None:
        return [pack.finding("requalification.unread", "refuse")], None
    if stamp is None and pack.stamped_date == "either":
        return [pack.finding("stamp.which", "hold", f"{requalified} is stamped.")], None
    specification = pack.specification(key)
    months = _period(specification, permit, is_first=is_first)
    if months is None:
        return [pack.finding("spec.permit_period", "refuse")], None
    impossible = _impossible(
        pack, "requalification", requalified, today, ahead=months if stamp == "expires" else 0
    )
    if impossible is not None:
        return [impossible], None

    due = requalified if stamp == "expires" else requalified.plus_months(months)
    findings: list[Finding] = []
    if today > due.last_day():
        stamped = (
            f"Stamped to expire {due}."
            if stamp == "expires"
            else f"Requalified {requalified}, due by the end of {due}."
        )
        findings.append(pack.finding("requalification.overdue", "refuse", stamped))
    elif YearMonth.of(today) == due:
        findings.append(
            pack.finding("requalification.last_month", "tell", f"Requalification is due this month, {due}.")
        )
    findings.extend(pack.finding(told, "tell") for told in specification.tells)
    return findings, due


def judge_full_cylinder(
    pack: Pack,
    spec: str,
    requalified: YearMonth | None,
    filled_on: date,
    today: date,
    *,
    stamp: Stamp | None = None,
    permit: Permit | None = None,
) -> list[Finding]:
    """What the requalification date says of a cylinder that stands here full: filled in date, it may be used until empty."""
    findings, due = judge_requalification(pack, spec, requalified, today, stamp=stamp, permit=permit)
    if due is None or requalified is None:
        return findings
    if filled_on > today:
        return [
            pack.finding("date.impossible", "hold", f"The fill is dated {filled_on}, which is still to come.")
        ]
    if stamp != "expires" and YearMonth.of(filled_on) < requalified:
        # A test empties the cylinder, so a fill older than the latest test means that one of the dates is wrong.
        seen = f"Filled {filled_on}, before the requalification of {requalified}."
        return [pack.finding("date.impossible", "hold", seen)]
    seen = f"Filled {filled_on}; requalification due by the end of {due}."
    if filled_on > due.last_day():
        return [pack.finding("requalification.filled_overdue", "hold", seen)]
    if today > due.last_day():
        # Where no text was read that lets it be used until empty, a person decides.
        is_written = pack.rule("requalification.filled_before_due").standing in ("law", "standard")
        return [pack.finding("requalification.filled_before_due", "tell" if is_written else "hold", seen)]
    return []


def judge_visual(
    pack: Pack, looked_inside: YearMonth | None, today: date, *, spec: str | None = None
) -> tuple[list[Finding], YearMonth | None]:
    """What the date of the latest look inside says, and the last month it holds for. A specification may ask for more looks."""
    if looked_inside is None:
        return [pack.finding("visual.unread", "refuse")], None
    impossible = _impossible(pack, "look inside", looked_inside, today)
    if impossible is not None:
        return [impossible], None
    due = looked_inside.plus_months(_look_inside_months(pack, spec))
    is_current = today <= due.last_day()
    if not is_current:
        seen = f"Looked inside {looked_inside}, due by the end of {due}."
        return [pack.finding("visual.overdue", "refuse", seen)], due
    return [], due


def judge_wear(
    pack: Pack,
    looked_inside: YearMonth | None,
    today: date,
    *,
    is_low_risk: bool | None,
    is_heavy_service: bool | None,
) -> list[Finding]:
    """Where the interval of looks inside hangs on how a cylinder is used: unsaid is held once the shorter interval is over."""
    findings: list[Finding] = []
    for rule_id, is_shown in (
        ("visual.no_assessment", is_low_risk is True),
        ("visual.heavy_service", is_heavy_service is False),
    ):
        rule = pack.rule_or_none(rule_id)
        if rule is None or looked_inside is None or looked_inside > YearMonth.of(today):
            continue
        due = looked_inside.plus_months(int(rule.amount("months")))
        if today > due.last_day():
            seen = f"Looked inside {looked_inside}, more than {int(rule.amount('months'))} months ago."
            findings.append(pack.finding_of(rule, "tell" if is_shown else "hold", seen))
    return findings


def judge_life(
    pack: Pack, spec: str, manufactured: YearMonth | None, today: date, *, permit: Permit | None = None
) -> list[Finding]:
    """A limited service life is counted from manufacture; over, there is no fill. With a life and no date there is none either."""
    key = spec_known(pack, spec)
    if key is None:
        return [unknown_spec(pack, spec)]
    life = pack.specification(key).life_months
    if permit is not None and permit.life_months is not None:
        life = permit.life_months if life is None else min(life, permit.life_months)
    if life is None:
        return []
    if manufactured is None:
        return [pack.finding("life.unread", "refuse")]
    impossible = _impossible(pack, "manufacture", manufactured, today)
    if impossible is not None:
        return [impossible]
    end = manufactured.plus_months(life)
    if today > end.last_day():
        return [pack.finding("life.over", "refuse", f"Made {manufactured}, life ended with {end}.")]
    return []


def unknown_spec(pack: Pack, spec: str, bearing: Bearing = "refuse") -> Finding:
    shown = spec.strip()[:40]
    seen = f"“{shown}” is not a specification these rules know." if shown else "No specification was read."
    return pack.finding("spec.unknown", bearing, seen)


def _period(specification: Specification, permit: Permit | None, *, is_first: bool | None) -> int | None:
    """The months between two requalifications. Not said whether it is the first: the shorter of both periods."""
    months = specification.requalify_every_months
    if months is None:
        return None if permit is None else permit.requalify_every_months
    first = specification.first_requalify_months
    if first is None or is_first is False:
        return months
    return first if is_first else min(first, months)


def _look_inside_months(pack: Pack, spec: str | None) -> int:
    months = int(pack.rule("visual.overdue").amount("months"))
    key = None if spec is None else spec_known(pack, spec)
    own = None if key is None else pack.specification(key).look_inside_every_months
    return months if own is None else min(months, own)


def _impossible(pack: Pack, what: str, read: YearMonth, today: date, ahead: int = 0) -> Finding | None:
    if read > YearMonth.of(today).plus_months(ahead):
        return pack.finding("date.impossible", "refuse", f"The {what} date {read} is still to come.")
    if read.year < EARLIEST_YEAR:
        return pack.finding("date.impossible", "refuse", f"The {what} date {read} is before {EARLIEST_YEAR}.")
    return None
