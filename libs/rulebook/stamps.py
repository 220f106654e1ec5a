"""Judges the signs on the shoulder beyond figures and dates: the sign behind a requalification, and the country's approval.

It must never count a sign it does not know: an unknown one is held until somebody has read what it means.
"""

from rulebook.dates import unknown_spec
from rulebook.pack import Finding, Pack, RequalificationMark
from rulebook.specs import spec_known

_STARS = ("★", "*", "☆")


def mark_meaning(pack: Pack, symbol: str) -> RequalificationMark | None:
    """The line that says what the sign behind a requalification date means; None when the pack does not know it."""
    wanted = symbol.strip().upper()
    wanted = "★" if wanted in _STARS else wanted
    return next((mark for mark in pack.marks if mark.symbol == wanted), None)


def judge_mark(pack: Pack, symbol: str) -> list[Finding]:
    """Whether a scuba cylinder may be filled on a requalification with that sign. No sign at all is the empty text."""
    mark = mark_meaning(pack, symbol)
    if mark is None:
        shown = symbol.strip()[:20]
        return [pack.finding("mark.unknown", "hold", f"“{shown}” stands behind the date.")] if shown else []
    if mark.enough == "yes":
        return []
    return [pack.finding_of(mark.rule, "refuse" if mark.enough == "no" else "hold")]


def judge_approval(pack: Pack, spec: str, approval: str) -> list[Finding]:
    """Whether the cylinder shows the approval that its kind needs here. Not read is held, another one is refused."""
    key = spec_known(pack, spec)
    if key is None:
        return [unknown_spec(pack, spec)]
    specification = pack.specification(key)
    if not specification.approvals:
        return []
    read = approval.strip().upper()
    if any(read.startswith(one) for one in specification.approvals):
        return []
    seen = f"“{read[:20]}” is stamped." if read else "No approval was read."
    return [pack.finding(specification.approval_rule, "refuse" if read else "hold", seen)]
