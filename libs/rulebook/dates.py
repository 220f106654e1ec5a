"""Judges the dates stamped or stuck on a cylinder: requalification and the look inside.

A due month counts to its last day. A date that was not read, cannot be, or belongs to an unknown specification is refused:
there is no default period.
"""

from datetime import date
from typing import Final

from rulebook.pack import Bearing, Finding, Pack
from rulebook.specs import spec_known
from rulebook.year_month import YearMonth

# No cylinder in use is older: the first interstate rules for cylinders are of the early twentieth century (from memory).
EARLIEST_YEAR: Final = 1900


def judge_requalification(
    pack: Pack, spec: str, requalified: YearMonth | None, today: date
) -> tuple[list[Finding], YearMonth | None]:
    """What the latest requalification date (of a new cylinder, its first test date) says, and the month it is due again."""
    key = spec_known(pack, spec)
    if key is None:
        return [unknown_spec(pack, spec)], None
    if requalified is None:
        return [pack.finding("requalification.unread", "refuse")], None
    impossible = _impossible(pack, "requalification", requalified, today)
    if impossible is not None:
        return [impossible], None

    specification = pack.specification(key)
    due = requalified.plus_months(specification.requalify_every_months)
    findings: list[Finding] = []
    is_current = today <= due.last_day()
    if not is_current:
        seen = f"Requalified {requalified}, due by the end of {due}."
        findings.append(pack.finding("requalification.overdue", "refuse", seen))
    elif YearMonth.of(today) == due:
        findings.append(
            pack.finding("requalification.last_month", "tell", f"Requalification is due this month, {due}.")
        )
    if specification.rule.standing == "from memory":
        findings.append(pack.finding_of(specification.rule, "tell"))
    findings.extend(pack.finding(told, "tell") for told in specification.tells)
    return findings, due


def judge_full_cylinder(
    pack: Pack, spec: str, requalified: YearMonth | None, filled_on: date, today: date
) -> list[Finding]:
    """What the requalification date says of a cylinder that stands here full: filled in date, it may be used until empty."""
    findings, due = judge_requalification(pack, spec, requalified, today)
    if due is None or requalified is None:
        return findings
    if filled_on > today:
        return [
            pack.finding("date.impossible", "hold", f"The fill is dated {filled_on}, which is still to come.")
        ]
    if YearMonth.of(filled_on) < requalified:
        # A test empties the cylinder, so a fill older than the latest test means that one of the dates is wrong.
        seen = f"Filled {filled_on}, before the requalification of {requalified}."
        return [pack.finding("date.impossible", "hold", seen)]
    seen = f"Filled {filled_on}; requalification due by the end of {due}."
    if filled_on > due.last_day():
        return [pack.finding("requalification.filled_overdue", "hold", seen)]
    if today > due.last_day():
        return [pack.finding("requalification.filled_before_due", "tell", seen)]
    return []


def judge_visual(
    pack: Pack, looked_inside: YearMonth | None, today: date
) -> tuple[list[Finding], YearMonth | None]:
    """What the date of the latest look inside says, and the last month it holds for."""
    if looked_inside is None:
        return [pack.finding("visual.unread", "refuse")], None
    impossible = _impossible(pack, "look inside", looked_inside, today)
    if impossible is not None:
        return [impossible], None
    due = looked_inside.plus_months(int(pack.rule("visual.overdue").amount("months")))
    is_current = today <= due.last_day()
    if not is_current:
        seen = f"Looked inside {looked_inside}, due by the end of {due}."
        return [pack.finding("visual.overdue", "refuse", seen)], due
    return [], due


def unknown_spec(pack: Pack, spec: str, bearing: Bearing = "refuse") -> Finding:
    shown = spec.strip()[:40]
    seen = f"“{shown}” is not a specification these rules know." if shown else "No specification was read."
    return pack.finding("spec.unknown", bearing, seen)


def _impossible(pack: Pack, what: str, read: YearMonth, today: date) -> Finding | None:
    if read > YearMonth.of(today):
        return pack.finding("date.impossible", "refuse", f"The {what} date {read} is still to come.")
    if read.year < EARLIEST_YEAR:
        return pack.finding("date.impossible", "refuse", f"The {what} date {read} is before {EARLIEST_YEAR}.")
    return None
