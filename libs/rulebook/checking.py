"""What is wrong with a pack: every gap and contradiction in its TOML, found in one pass so that one repair is enough.

It must never let a line through without source, clause, edition and standing, nor a rule a judgement needs go missing.
"""

import math
import re
from collections.abc import Iterator
from typing import Final, get_args

from gas.pressure import Unit
from rulebook.pack import NO_CLAUSE, Metal, Outcome, Standing

# Every rule a judgement asks for by name, with the units of the numbers it needs. A pack without one is faulty.
NEEDED: Final[dict[str, tuple[str, ...]]] = {
    "spec.unknown": (),
    "spec.permit_terms": (),
    "date.impossible": (),
    "requalification.unread": (),
    "requalification.overdue": (),
    "requalification.last_month": (),
    "requalification.filled_before_due": (),
    "requalification.filled_overdue": (),
    "visual.unread": (),
    "visual.overdue": ("months",),
    "rating.unread": (),
    "rating.beyond_use": ("highest_psi", "lowest_psi"),
    "rating.unit": (),
    "fill.no_target": (),
    "fill.limit": (),
    "fill.plus": ("percent",),
    "fill.overshoot": ("psi",),
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
    "condemn.expansion": ("percent",),
}

LINE: Final = ("id", "words", "source", "clause", "edition", "standing")
_RULE = (*LINE, "amounts")
_CRITERION = (*LINE, "outcome", "metal")
_SPECIFICATION = (
    *LINE,
    "requalify_every_months",
    "stamped_in",
    "metal",
    "spellings",
    "numbered",
    "may_carry_plus",
    "bans_alloy_6351",
    "test_ratio",
    "tells",
)
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_SPELLING = re.compile(r"[A-Z0-9]+")

Table = dict[str, object]


def problems_of(jurisdiction: str, document: Table) -> Iterator[str]:
    if document.get("jurisdiction") != jurisdiction:
        yield f"the file says jurisdiction {document.get('jurisdiction')!r}"
    for field in ("words", "edition", "caution"):
        if _blank(document.get(field)):
            yield f"the pack has no {field}"
    for unknown in document.keys() - {
        "jurisdiction",
        "words",
        "edition",
        "caution",
        "rule",
        "specification",
        "criterion",
    }:
        yield f"the pack has an unknown part {unknown!r}"
    for kind, allowed in (("rule", _RULE), ("specification", _SPECIFICATION), ("criterion", _CRITERION)):
        tables = tables_of(document, kind)
        if not tables:
            yield f"the pack has no {kind}"
        if kind in document and tables != document[kind]:
            yield f"the pack has a {kind} that is not a table"
        for place, table in enumerate(tables, start=1):
            yield from _line_problems(f"{kind} {table.get('id') or f'number {place}'}", table, allowed)
        ids = [str(table.get("id")) for table in tables]
        for twice in sorted({one for one in ids if ids.count(one) > 1}):
            yield f"{kind} {twice} is there twice"
    yield from _rule_problems(document)
    yield from _specification_problems(document)
    yield from _criterion_problems(document)


def _line_problems(name: str, table: Table, allowed: tuple[str, ...]) -> Iterator[str]:
    for field in LINE:
        if _blank(table.get(field)):
            yield f"{name} has no {field}"
    for unknown in sorted(table.keys() - set(allowed)):
        yield f"{name} has an unknown field {unknown!r}"
    if not _blank(table.get("id")) and not _ID.fullmatch(str(table["id"])):
        yield f"{name} has an id that is not letters, digits, '.', '_' and '-'"
    standing = table.get("standing")
    if not _blank(standing) and standing not in get_args(Standing):
        yield f"{name} has standing {standing!r}, which is none of {', '.join(get_args(Standing))}"
    if standing == "law" and table.get("clause") == NO_CLAUSE:
        yield f"{name} calls itself law and names no clause"


def _rule_problems(document: Table) -> Iterator[str]:
    rules = {str(table.get("id")): table for table in tables_of(document, "rule")}
    for rule_id, units in NEEDED.items():
        if rule_id not in rules:
            yield f"rule {rule_id} is missing"
            continue
        amounts = rules[rule_id].get("amounts")
        for unit in units:
            if not isinstance(amounts, dict) or unit not in amounts:
                yield f"rule {rule_id} has no amount in {unit}"
    for rule_id, table in rules.items():
        amounts = table.get("amounts", {})
        if not isinstance(amounts, dict):
            yield f"rule {rule_id} has amounts that are not a table of unit and number"
        elif not all(_is_above_zero(number) for number in amounts.values()):
            yield f"rule {rule_id} has an amount that is not a number above zero"


def _specification_problems(document: Table) -> Iterator[str]:
    rule_ids = {table.get("id") for table in tables_of(document, "rule")}
    claimed: dict[str, str] = {}
    for table in tables_of(document, "specification"):
        name = f"specification {table.get('id')}"
        months = table.get("requalify_every_months")
        if type(months) is not int or months <= 0:
            yield f"{name} has no requalification period in whole months"
        if table.get("stamped_in") not in get_args(Unit):
            yield f"{name} does not say whether its stamp is in psi or bar"
        if table.get("metal") not in get_args(Metal):
            yield f"{name} has no metal out of {', '.join(get_args(Metal))}"
        for flag in ("numbered", "may_carry_plus", "bans_alloy_6351"):
            if type(table.get(flag, False)) is not bool:
                yield f"{name} has a {flag} that is neither true nor false"
        if "test_ratio" in table and not _is_ratio(table["test_ratio"]):
            yield f"{name} has a test ratio that is not two whole numbers"
        for listed in ("spellings", "tells"):
            if list(texts_of(table.get(listed, []))) != table.get(listed, []):
                yield f"{name} has {listed} that are not a list of words"
        spellings = texts_of(table.get("spellings"))
        if not spellings:
            yield f"{name} has no spelling"
        for spelling in spellings:
            if not _SPELLING.fullmatch(spelling):
                yield f"{name} has the spelling {spelling!r}, which is not capital letters and digits alone"
            if spelling in claimed:
                yield f"{name} shares the spelling {spelling} with {claimed[spelling]}"
            claimed[spelling] = name
        for told in texts_of(table.get("tells", [])):
            if told not in rule_ids:
                yield f"{name} tells a rule {told!r} that is not there"


def _criterion_problems(document: Table) -> Iterator[str]:
    tables = tables_of(document, "criterion")
    for table in tables:
        if table.get("outcome") not in get_args(Outcome):
            yield f"criterion {table.get('id')} has no outcome out of {', '.join(get_args(Outcome))}"
        if table.get("metal") not in get_args(Metal):
            yield f"criterion {table.get('id')} has no metal out of {', '.join(get_args(Metal))}"
    for outcome in get_args(Outcome):
        if not any(table.get("outcome") == outcome for table in tables):
            yield f"the pack has no criterion to {outcome}"


def tables_of(document: Table, kind: str) -> list[Table]:
    found = document.get(kind)
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def texts_of(value: object) -> tuple[str, ...]:
    return tuple(one for one in value if isinstance(one, str)) if isinstance(value, list) else ()


def _blank(value: object) -> bool:
    return not isinstance(value, str) or not value.strip()


def _is_above_zero(value: object) -> bool:
    """A finite number; TOML can write nan and inf, and true is no number here."""
    return (
        isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and value > 0
    )


def _is_ratio(value: object) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(type(one) is int and one > 0 for one in value)
