"""What is wrong with the lines that are more than a rule: specifications, criteria, limits of air, marks, and who may fill.

It must never let a number through that is none, nor a line from memory on which somebody could be allowed to fill.
"""

import math
import re
from collections.abc import Iterator
from typing import Final, get_args

from gas.pressure import Unit
from rulebook.lines import Table, is_blank, tables_of, texts_of
from rulebook.pack import (
    Bearing,
    Comparison,
    Defect,
    Enough,
    FillerPaper,
    Measure,
    Metal,
    Only,
    Outcome,
    SampledAt,
)

_SPELLING: Final = re.compile(r"[A-Z0-9]+(/[A-Z0-9]+)?")
_LISTS: Final = ("spellings", "tells", "approvals")
_FLAGS: Final = ("numbered", "may_carry_plus", "bans_alloy_6351")
_EXTRA_MONTHS: Final = ("first_requalify_months", "look_inside_every_months", "life_months")


def specification_problems(document: Table) -> Iterator[str]:
    rule_ids = {table.get("id") for table in tables_of(document, "rule")}
    claimed: dict[str, str] = {}
    for table in tables_of(document, "specification"):
        name = f"specification {table.get('id')}"
        yield from _period_problems(name, table)
        if table.get("stamped_in") not in get_args(Unit):
            yield f"{name} does not say whether its stamp is in psi or bar"
        if table.get("metal") not in get_args(Metal):
            yield f"{name} has no metal out of {', '.join(get_args(Metal))}"
        for flag in _FLAGS:
            if type(table.get(flag, False)) is not bool:
                yield f"{name} has a {flag} that is neither true nor false"
        if "test_ratio" in table and not _is_ratio(table["test_ratio"]):
            yield f"{name} has a test ratio that is not two whole numbers"
        for listed in _LISTS:
            if list(texts_of(table.get(listed, []))) != table.get(listed, []):
                yield f"{name} has {listed} that are not a list of words"
        yield from _spelling_problems(name, table, claimed)
        for told in texts_of(table.get("tells", [])):
            if told not in rule_ids:
                yield f"{name} tells a rule {told!r} that is not there"
        if table.get("approvals") and table.get("approval_rule") not in rule_ids:
            yield f"{name} asks for an approval by a rule that is not there"


def _period_problems(name: str, table: Table) -> Iterator[str]:
    months = table.get("requalify_every_months")
    if table.get("numbered") is True:
        if months is not None:
            yield f"{name} assumes a requalification period that only its permit can tell"
    elif not _is_months(months):
        yield f"{name} has no requalification period in whole months"
    for field in _EXTRA_MONTHS:
        if field in table and not _is_months(table[field]):
            yield f"{name} has a {field} that is not whole months"
    if table.get("standing") == "from memory":
        yield f"{name} has its period from memory, and nobody may fill by a memory"


def _spelling_problems(name: str, table: Table, claimed: dict[str, str]) -> Iterator[str]:
    spellings = texts_of(table.get("spellings"))
    if not spellings:
        yield f"{name} has no spelling"
    for spelling in spellings:
        if not _SPELLING.fullmatch(spelling):
            yield f"{name} has the spelling {spelling!r}, which is not capital letters and digits alone"
        if spelling in claimed:
            yield f"{name} shares the spelling {spelling} with {claimed[spelling]}"
        claimed[spelling] = name


def criterion_problems(document: Table) -> Iterator[str]:
    tables = tables_of(document, "criterion")
    for table in tables:
        name = f"criterion {table.get('id')}"
        if table.get("outcome") not in get_args(Outcome):
            yield f"{name} has no outcome out of {', '.join(get_args(Outcome))}"
        if table.get("metal") not in get_args(Metal):
            yield f"{name} has no metal out of {', '.join(get_args(Metal))}"
        if "meets" in table:
            yield from _limit_problems(name, table["meets"])
    for outcome in get_args(Outcome):
        if not any(table.get("outcome") == outcome for table in tables):
            yield f"the pack has no criterion to {outcome}"


def _limit_problems(name: str, meets: object) -> Iterator[str]:
    if not isinstance(meets, dict):
        yield f"{name} has a meets that is not a table"
        return
    if meets.get("defect") not in get_args(Defect):
        yield f"{name} meets a defect {meets.get('defect')!r} that no form asks for"
    compared = [one for one in get_args(Comparison) if one in meets]
    if ("measure" in meets) != (len(compared) == 1) or len(compared) > 1:
        yield f"{name} needs a measure together with one of {', '.join(get_args(Comparison))}, or neither"
    if "measure" in meets and meets["measure"] not in get_args(Measure):
        yield f"{name} has a measure {meets['measure']!r} that no form asks for"
    if not all(_is_number(meets[one]) for one in compared):
        yield f"{name} is compared with something that is not a number"
    only = meets.get("only", [])
    if list(texts_of(only)) != only or not set(texts_of(only)) <= set(get_args(Only)):
        yield f"{name} is only for something that is none of {', '.join(get_args(Only))}"
    for unknown in sorted(meets.keys() - {"defect", "measure", "only", *get_args(Comparison)}):
        yield f"{name} meets an unknown field {unknown!r}"


def air_problems(document: Table) -> Iterator[str]:
    for table in tables_of(document, "air"):
        name = f"air {table.get('id')}"
        for field in ("standard", "measured"):
            if is_blank(table.get(field)):
                yield f"{name} has no {field}"
        if "at_most" not in table and "at_least" not in table:
            yield f"{name} has no limit"
        for field in ("at_most", "at_least", "bar_above", "bar_up_to"):
            if field in table and not _is_finite(table[field]):
                yield f"{name} has a {field} that is not a number"
        if "sampled_at" in table and table["sampled_at"] not in get_args(SampledAt):
            yield f"{name} is sampled at none of {', '.join(get_args(SampledAt))}"


def mark_problems(document: Table) -> Iterator[str]:
    symbols = [table.get("symbol") for table in tables_of(document, "mark")]
    for table in tables_of(document, "mark"):
        name = f"mark {table.get('id')}"
        if not isinstance(table.get("symbol"), str):
            yield f"{name} has no symbol; where there is no sign behind the date, it is empty"
        elif symbols.count(table["symbol"]) > 1:
            yield f"{name} shares its symbol with another"
        if table.get("enough") not in get_args(Enough):
            yield f"{name} does not say whether it is enough: {', '.join(get_args(Enough))}"
        if table.get("enough") == "yes" and table.get("standing") == "from memory":
            yield f"{name} is from memory, and nobody may fill by a memory"


def filler_problems(document: Table) -> Iterator[str]:
    for table in tables_of(document, "filler"):
        name = f"filler {table.get('id')}"
        if table.get("paper") not in get_args(FillerPaper):
            yield f"{name} has no paper out of {', '.join(get_args(FillerPaper))}"
        if table.get("bearing") not in get_args(Bearing):
            yield f"{name} has no bearing out of {', '.join(get_args(Bearing))}"
        if not _is_number(table.get("above_oxygen_percent")):
            yield f"{name} does not say above which share of oxygen it holds"


def _is_months(value: object) -> bool:
    return type(value) is int and value > 0


def _is_finite(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and _is_finite(value) and value >= 0


def _is_ratio(value: object) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(type(one) is int and one > 0 for one in value)
