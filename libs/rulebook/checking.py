"""What is wrong with a pack: every gap and contradiction in its TOML, found in one pass so that one repair is enough.

It must never let a line through without source, clause, edition and standing, nor a rule a judgement needs go missing,
nor a line from memory that somebody would be allowed to fill by.
"""

import math
import re
from collections.abc import Iterator
from typing import Final, get_args

from rulebook.checking_lines import (
    air_problems,
    criterion_problems,
    filler_problems,
    mark_problems,
    specification_problems,
)
from rulebook.lines import FIELDS, KINDS, LINE, Table, is_blank, tables_of
from rulebook.pack import NO_CLAUSE, StampedDate, Standing

# Every rule a judgement asks for by name, with the units of the numbers it needs. A pack without one is faulty.
NEEDED: Final[dict[str, tuple[str, ...]]] = {
    "spec.unknown": (),
    "spec.permit_terms": (),
    "spec.permit_period": (),
    "date.impossible": (),
    "stamp.which": (),
    "mark.unknown": (),
    "requalification.unread": (),
    "requalification.overdue": (),
    "requalification.last_month": (),
    "requalification.filled_before_due": (),
    "requalification.filled_overdue": (),
    "visual.unread": (),
    "visual.overdue": ("months",),
    "life.over": (),
    "life.unread": (),
    "rating.unread": (),
    "rating.beyond_use": ("highest_psi", "lowest_psi"),
    "rating.unit": (),
    "test.pressure": (),
    "fill.no_target": (),
    "fill.limit": (),
    "fill.plus": ("percent",),
    "fill.overshoot": ("psi",),
    "plus.date": (),
    "plus.conditions": (),
    "residual.low": ("psi", "bar"),
    "look.outside": (),
    "condemned.never": (),
    "rejected.held": (),
    "oxygen.cleaned": ("percent",),
    "oxygen.equipment": ("percent",),
    "oxygen.blending": (),
    "alloy.prohibited": (),
    "alloy.eddy_current": (),
    "alloy.people_out": (),
    "alloy.assumed": ("year", "month"),
    "condemn.expansion": ("percent",),
    "air.unknown": (),
    "air.unmeasured": (),
    "air.interval": ("months",),
    "bench.unmeasured": (),
}
# Rules that only some jurisdictions have; where they are, they have these numbers.
OPTIONAL: Final[dict[str, tuple[str, ...]]] = {
    "visual.no_assessment": ("months",),
    "visual.heavy_service": ("months",),
    "fill.hot": ("percent",),
    "oxygen.aluminium": ("psi",),
}
# A fill goes further by these than it would without them, so a memory is not enough for them.
_LETS_FILL: Final = ("fill.plus", "visual.overdue", "visual.no_assessment")

_WHOLE = ("words", "edition", "caution")
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")


def problems_of(jurisdiction: str, document: Table) -> Iterator[str]:
    if document.get("jurisdiction") != jurisdiction:
        yield f"the file says jurisdiction {document.get('jurisdiction')!r}"
    for field in _WHOLE:
        if is_blank(document.get(field)):
            yield f"the pack has no {field}"
    for unknown in document.keys() - {"jurisdiction", "includes", "stamped_date", *_WHOLE, *KINDS}:
        yield f"the pack has an unknown part {unknown!r}"
    if document.get("stamped_date", "test") not in get_args(StampedDate):
        yield f"the pack has a stamped_date that is none of {', '.join(get_args(StampedDate))}"
    for kind in KINDS:
        tables = tables_of(document, kind)
        if not tables and kind in ("rule", "specification", "criterion"):
            yield f"the pack has no {kind}"
        if kind in document and tables != document[kind]:
            yield f"the pack has a {kind} that is not a table"
        for place, table in enumerate(tables, start=1):
            yield from _line_problems(f"{kind} {table.get('id') or f'number {place}'}", table, FIELDS[kind])
        ids = [str(table.get("id")) for table in tables]
        for twice in sorted({one for one in ids if ids.count(one) > 1}):
            yield f"{kind} {twice} is there twice"
    yield from _rule_problems(document)
    yield from specification_problems(document)
    yield from criterion_problems(document)
    yield from air_problems(document)
    yield from mark_problems(document)
    yield from filler_problems(document)


def _line_problems(name: str, table: Table, allowed: tuple[str, ...]) -> Iterator[str]:
    for field in LINE:
        if is_blank(table.get(field)):
            yield f"{name} has no {field}"
    for unknown in sorted(table.keys() - set(allowed)):
        yield f"{name} has an unknown field {unknown!r}"
    if not is_blank(table.get("id")) and not _ID.fullmatch(str(table["id"])):
        yield f"{name} has an id that is not letters, digits, '.', '_' and '-'"
    standing = table.get("standing")
    if not is_blank(standing) and standing not in get_args(Standing):
        yield f"{name} has standing {standing!r}, which is none of {', '.join(get_args(Standing))}"
    if standing == "law" and table.get("clause") == NO_CLAUSE:
        yield f"{name} calls itself law and names no clause"


def _rule_problems(document: Table) -> Iterator[str]:
    rules = {str(table.get("id")): table for table in tables_of(document, "rule")}
    for rule_id in NEEDED:
        if rule_id not in rules:
            yield f"rule {rule_id} is missing"
    for rule_id, units in (NEEDED | OPTIONAL).items():
        amounts = rules.get(rule_id, {}).get("amounts")
        for unit in units if rule_id in rules else ():
            if not isinstance(amounts, dict) or unit not in amounts:
                yield f"rule {rule_id} has no amount in {unit}"
    for rule_id, table in rules.items():
        amounts = table.get("amounts", {})
        if not isinstance(amounts, dict):
            yield f"rule {rule_id} has amounts that are not a table of unit and number"
        elif not all(_is_above_zero(number) for number in amounts.values()):
            yield f"rule {rule_id} has an amount that is not a number above zero"
    for rule_id in _LETS_FILL:
        if rules.get(rule_id, {}).get("standing") == "from memory":
            yield f"rule {rule_id} is from memory, and nobody may fill by a memory"


def _is_above_zero(value: object) -> bool:
    """A finite number; TOML can write nan and inf, and true is no number here."""
    return (
        isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and value > 0
    )
