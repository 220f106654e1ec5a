"""A shop's own rules: read, checked against the pack, and judged. They are laid on top of the law and take nothing away.

It must never answer for the pack: a policy only ever adds findings, whatever it says.
"""

import math
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, cast

from rulebook.asked import Asked
from rulebook.lines import Table, is_blank, texts_of
from rulebook.pack import NO_CLAUSE, Bearing, Finding, Pack
from rulebook.specs import spec_known
from rulebook.year_month import YearMonth

_MONTHS: Final = ("requalify_every_months", "look_inside_every_months")
_PERCENTS: Final = ("oxygen_clean_above_percent", "highest_oxygen_percent")
_FLAGS: Final = ("refuses_plus", "refuses_alloy_6351")
_FIELDS: Final = (*_MONTHS, *_PERCENTS, *_FLAGS, "refused_specs", "source", "edition")
_SLACK = 1e-9


class PolicyIsFaulty(ValueError):
    """The shop's rules cannot be used; `problems` lists all that is wrong with them."""

    def __init__(self, problems: tuple[str, ...]) -> None:
        super().__init__("the shop's rules are faulty: " + "; ".join(problems))
        self.problems = problems


@dataclass(frozen=True)
class StorePolicy:
    """`source` names the shop's paper and `edition` its date, so that a refusal can be looked up there as well."""

    source: str = "This shop's rules"
    edition: str = NO_CLAUSE
    requalify_every_months: int | None = None
    look_inside_every_months: int | None = None
    oxygen_clean_above_percent: float | None = None
    highest_oxygen_percent: float | None = None
    refuses_plus: bool = False
    refuses_alloy_6351: bool = False
    refused_specs: tuple[str, ...] = ()


NO_POLICY: Final = StorePolicy()


def read_policy(pack: Pack, text: str) -> StorePolicy:
    """The shop's rules from their TOML text. Raises PolicyIsFaulty with every problem, also where one would loosen the law."""
    try:
        document: Table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise PolicyIsFaulty((f"not TOML: {fault}",)) from fault
    problems = tuple(_problems_of(pack, document))
    if problems:
        raise PolicyIsFaulty(problems)
    return StorePolicy(
        source=str(document["source"]),
        edition=str(document["edition"]),
        requalify_every_months=cast("int | None", document.get("requalify_every_months")),
        look_inside_every_months=cast("int | None", document.get("look_inside_every_months")),
        oxygen_clean_above_percent=cast("float | None", document.get("oxygen_clean_above_percent")),
        highest_oxygen_percent=cast("float | None", document.get("highest_oxygen_percent")),
        refuses_plus=bool(document.get("refuses_plus", False)),
        refuses_alloy_6351=bool(document.get("refuses_alloy_6351", False)),
        refused_specs=texts_of(document.get("refused_specs", [])),
    )


def judge_policy(pack: Pack, policy: StorePolicy, asked: Asked) -> list[Finding]:
    """What the shop's own rules say, besides the law."""
    return list(_findings(pack, policy, asked))


def _findings(pack: Pack, policy: StorePolicy, asked: Asked) -> Iterator[Finding]:
    for rule_id, stamped, months, what in (
        ("requalification", asked.requalified, policy.requalify_every_months, "requalified"),
        ("look_inside", asked.looked_inside, policy.look_inside_every_months, "looked into"),
    ):
        if months is None or (rule_id == "requalification" and asked.stamp == "expires"):
            continue
        words = f"Here every cylinder is {what} every {months} months."
        is_past = stamped is not None and stamped <= YearMonth.of(asked.today)
        if stamped is None or (is_past and asked.today > stamped.plus_months(months).last_day()):
            yield _house(policy, rule_id, "refuse", f"{stamped or 'No date'}. {words}")
    percent, clean_above = asked.gas.oxygen_fraction * 100, policy.oxygen_clean_above_percent
    if clean_above is not None and percent > clean_above + _SLACK and not asked.is_oxygen_clean:
        words = (
            f"{asked.gas.words()}: above {clean_above:g} % oxygen the cylinder is cleaned for oxygen here."
        )
        yield _house(policy, "oxygen_clean", "refuse", words)
    highest = policy.highest_oxygen_percent
    if highest is not None and percent > highest + _SLACK:
        yield _house(policy, "highest_oxygen", "refuse", f"No more than {highest:g} % oxygen is filled here.")
    if policy.refuses_plus and asked.target.is_above(asked.rated):
        yield _house(policy, "plus", "refuse", "This shop does not fill to the plus.")
    if policy.refuses_alloy_6351 and asked.alloy == "6351-T6":
        yield _house(policy, "alloy_6351", "refuse", "This shop does not fill alloy 6351-T6.")
    key = spec_known(pack, asked.spec)
    if key is not None and key in {spec_known(pack, one) for one in policy.refused_specs}:
        yield _house(policy, "specification", "refuse", f"This shop does not fill a {key}.")


def _house(policy: StorePolicy, rule: str, bearing: Bearing, words: str) -> Finding:
    return Finding(
        f"house.{rule}",
        words,
        policy.source,
        NO_CLAUSE,
        policy.edition,
        standing="house rule",
        bearing=bearing,
    )


def _problems_of(pack: Pack, document: Table) -> Iterator[str]:
    for unknown in sorted(document.keys() - set(_FIELDS)):
        yield f"there is no such rule as {unknown!r}"
    for field in ("source", "edition"):
        if is_blank(document.get(field)):
            yield f"the rules have no {field}"
    for field in _FLAGS:
        if type(document.get(field, False)) is not bool:
            yield f"{field} is neither true nor false"
    refused = document.get("refused_specs", [])
    if list(texts_of(refused)) != refused:
        yield "refused_specs is not a list of words"
    for spec in texts_of(refused):
        if spec_known(pack, spec) is None:
            yield f"refused_specs names {spec[:40]!r}, which is not known here"
    yield from _number_problems(pack, document)


def _number_problems(pack: Pack, document: Table) -> Iterator[str]:
    periods = [spec.requalify_every_months for spec in pack.specifications if spec.requalify_every_months]
    longest = {
        "requalify_every_months": max(periods, default=0),
        "look_inside_every_months": int(pack.rule("visual.overdue").amount("months")),
    }
    for field in _MONTHS:
        months = document.get(field)
        if months is None:
            continue
        if type(months) is not int or months <= 0:
            yield f"{field} is not whole months"
        elif months > longest[field]:
            yield f"{field} of {months} is looser than the {longest[field]} of these rules"
    for field in _PERCENTS:
        percent = document.get(field)
        if percent is None:
            continue
        is_number = isinstance(percent, int | float) and not isinstance(percent, bool)
        if (
            not is_number
            or not math.isfinite(cast("float", percent))
            or not 0 < cast("float", percent) <= 100
        ):
            yield f"{field} is not a percentage"
        elif field == "oxygen_clean_above_percent":
            yield from _looser_oxygen(pack, cast("float", percent))


def _looser_oxygen(pack: Pack, percent: float) -> Iterator[str]:
    cleaned = pack.rule("oxygen.cleaned").amount("percent")
    if percent > cleaned:
        yield f"oxygen_clean_above_percent of {percent:g} is looser than the {cleaned:g} of these rules"
