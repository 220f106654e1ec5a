"""Reads a jurisdiction's pack from the TOML beside it and refuses a faulty one with every problem at once.

It must never fill a gap: a line without a source, a clause, an edition or a standing does not become a rule.
"""

import tomllib
from functools import lru_cache
from importlib import resources
from typing import cast

from gas.pressure import Unit
from rulebook.checking import LINE, Table, problems_of, tables_of, texts_of
from rulebook.pack import Amount, Criterion, Metal, Outcome, Pack, Rule, Specification, Standing


class UnknownJurisdiction(ValueError):
    """No pack of that name is part of this rulebook."""


class PackIsFaulty(ValueError):
    """The pack cannot be used; `problems` lists all that is wrong with it."""

    def __init__(self, jurisdiction: str, problems: tuple[str, ...]) -> None:
        super().__init__(f"the {jurisdiction!r} pack is faulty: " + "; ".join(problems))
        self.problems = problems


def jurisdictions() -> tuple[str, ...]:
    """The packs at hand, by name."""
    packs = resources.files("rulebook").joinpath("packs")
    return tuple(
        sorted(file.name[: -len(".toml")] for file in packs.iterdir() if file.name.endswith(".toml"))
    )


@lru_cache(maxsize=32)
def load(jurisdiction: str) -> Pack:
    """The rules of a jurisdiction. Raises UnknownJurisdiction, or PackIsFaulty with all its problems."""
    if jurisdiction not in jurisdictions():
        raise UnknownJurisdiction(
            f"no rules for {jurisdiction!r}; there are rules for {', '.join(jurisdictions())}"
        )
    file = resources.files("rulebook").joinpath("packs", f"{jurisdiction}.toml")
    return read_pack(jurisdiction, file.read_text(encoding="utf-8"))


def read_pack(jurisdiction: str, text: str) -> Pack:
    """A pack from its TOML text. Raises PackIsFaulty with all its problems."""
    try:
        document: Table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise PackIsFaulty(jurisdiction, (f"not TOML: {fault}",)) from fault
    problems = tuple(problems_of(jurisdiction, document))
    if problems:
        raise PackIsFaulty(jurisdiction, problems)
    return Pack(
        jurisdiction=jurisdiction,
        words=str(document["words"]),
        edition=str(document["edition"]),
        caution=str(document["caution"]),
        rules=tuple(_rule(table) for table in tables_of(document, "rule")),
        specifications=tuple(_specification(table) for table in tables_of(document, "specification")),
        criteria=tuple(_criterion(table) for table in tables_of(document, "criterion")),
    )


def _rule(table: Table) -> Rule:
    amounts = cast("dict[str, float]", table.get("amounts", {}))
    return Rule(
        id=str(table["id"]),
        words=str(table["words"]),
        source=str(table["source"]),
        clause=str(table["clause"]),
        edition=str(table["edition"]),
        standing=cast("Standing", table["standing"]),
        amounts=tuple(Amount(float(number), unit) for unit, number in amounts.items()),
    )


def _specification(table: Table) -> Specification:
    ratio = cast("list[int] | None", table.get("test_ratio"))
    line = _rule({field: table[field] for field in LINE} | {"id": f"spec.{table['id']}"})
    return Specification(
        key=str(table["id"]),
        rule=line,
        requalify_every_months=cast("int", table["requalify_every_months"]),
        stamped_in=cast("Unit", table["stamped_in"]),
        metal=cast("Metal", table["metal"]),
        spellings=texts_of(table["spellings"]),
        numbered=bool(table.get("numbered", False)),
        may_carry_plus=bool(table.get("may_carry_plus", False)),
        bans_alloy_6351=bool(table.get("bans_alloy_6351", False)),
        test_ratio=None if ratio is None else (ratio[0], ratio[1]),
        tells=texts_of(table.get("tells", [])),
    )


def _criterion(table: Table) -> Criterion:
    return Criterion(
        id=str(table["id"]),
        words=str(table["words"]),
        source=str(table["source"]),
        clause=str(table["clause"]),
        edition=str(table["edition"]),
        standing=cast("Standing", table["standing"]),
        outcome=cast("Outcome", table["outcome"]),
        metal=cast("Metal", table["metal"]),
    )
