"""Reads a jurisdiction's pack from the TOML beside it and refuses a faulty one with every problem at once.

It must never fill a gap: a line without a source, a clause, an edition or a standing does not become a rule.
"""

import re
import tomllib
from functools import lru_cache
from importlib import resources
from typing import Final, cast

from rulebook.checking import problems_of
from rulebook.lines import KINDS, Table, tables_of, texts_of
from rulebook.making import (
    air_limit_of,
    criterion_of,
    filler_line_of,
    requalification_mark_of,
    rule_of,
    specification_of,
)
from rulebook.pack import Pack, StampedDate

_FILE_NAME: Final = re.compile(r"[a-z0-9_]+")


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
    document, unread = _with_lines_from_everywhere(document)
    problems = (*unread, *problems_of(jurisdiction, document))
    if problems:
        raise PackIsFaulty(jurisdiction, problems)
    return Pack(
        jurisdiction=jurisdiction,
        words=str(document["words"]),
        edition=str(document["edition"]),
        caution=str(document["caution"]),
        rules=tuple(rule_of(table) for table in tables_of(document, "rule")),
        specifications=tuple(specification_of(table) for table in tables_of(document, "specification")),
        criteria=tuple(criterion_of(table) for table in tables_of(document, "criterion")),
        air=tuple(air_limit_of(table) for table in tables_of(document, "air")),
        marks=tuple(requalification_mark_of(table) for table in tables_of(document, "mark")),
        fillers=tuple(filler_line_of(table) for table in tables_of(document, "filler")),
        stamped_date=cast("StampedDate", document.get("stamped_date", "test")),
    )


def _with_lines_from_everywhere(document: Table) -> tuple[Table, tuple[str, ...]]:
    """The pack together with the shared files it names. A line may be added, never replaced: the same id twice is a fault."""
    merged, problems = dict(document), []
    wanted = document.get("includes", [])
    if list(texts_of(wanted)) != wanted:
        problems.append("the pack has includes that are not a list of words")
    for name in texts_of(wanted):
        file = resources.files("rulebook").joinpath("packs", "everywhere", f"{name}.toml")
        if not _FILE_NAME.fullmatch(name) or not file.is_file():
            problems.append(f"the pack includes {name!r}, which is not there")
            continue
        shared: Table = tomllib.loads(file.read_text(encoding="utf-8"))
        for kind in KINDS:
            if kind in shared:
                merged[kind] = [*tables_of(merged, kind), *tables_of(shared, kind)]
    return merged, tuple(problems)
