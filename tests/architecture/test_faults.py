"""The table of faults is whole: every fault has one row, and a row names tests that exist or says plainly why not."""

from __future__ import annotations

import ast
import re
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TABLE = ROOT / "infra" / "faults.md"
FAMILIES = {"N": 12, "C": 10, "D": 12, "B": 10, "K": 5, "X": 9, "U": 5, "M": 7, "V": 4, "E": 7}
"""How many faults of each family are known. A new one gets the next number, here and in the table."""

NO_TEST = re.compile(r"No test(?: yet)?: \S.{9,}")
SHORTEST_WORDS = 12


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    id: str
    fault: str
    expected: str
    shown_by: str

    @property
    def tests(self) -> list[tuple[Path, str]]:
        """The tests it names, each as its file and its function."""
        found = re.findall(r"\[`(test_\w+)`\]\(\.\./(tests/[\w/]+\.py)\)", self.shown_by)
        return [(ROOT / file, name) for name, file in found]


def rows_of(text: str) -> list[Row]:
    """Every row of the table; a line of a table with another number of cells is none."""
    cells = [
        [cell.strip() for cell in line.strip().strip("|").split("|")]
        for line in text.splitlines()
        if line.startswith("|")
    ]
    return [Row(*found) for found in cells if len(found) == 4 and re.fullmatch(r"[A-Z]\d+", found[0])]


def faults_of(text: str) -> list[str]:
    """What is wrong with the table."""
    rows = rows_of(text)
    ids = [row.id for row in rows]
    due = [f"{family}{n}" for family, most in FAMILIES.items() for n in range(1, most + 1)]
    wrong = [f"{one} has no row" for one in due if one not in ids]
    wrong += [f"{one} is not a fault we count" for one in ids if one not in due]
    wrong += [f"{one} stands twice" for one in sorted(set(ids)) if ids.count(one) > 1]
    for row in rows:
        if min(len(row.fault), len(row.expected)) < SHORTEST_WORDS:
            wrong.append(f"{row.id} does not say what happens")
        if not row.tests and not NO_TEST.match(row.shown_by):
            wrong.append(f"{row.id} names no test and no reason")
        if row.shown_by.count("](") != len(row.tests):
            wrong.append(f"{row.id} has a link that names no test")
        wrong += [f"{row.id}: no {name} in {file}" for file, name in row.tests if name not in functions(file)]
    return wrong


def functions(file: Path) -> frozenset[str]:
    """The names of a module's test functions."""
    if not file.exists():
        return frozenset()
    tree = ast.parse(file.read_text())
    return frozenset(
        node.name
        for node in tree.body
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test_")
    )


def test_every_fault_has_one_row_and_every_test_it_names_exists() -> None:
    assert faults_of(TABLE.read_text()) == []


ROW = TABLE.read_text().partition("| N6 |")[2].partition("\n")[0]


@pytest.mark.parametrize(
    ("was", "planted", "complaint"),
    [
        (f"| N6 |{ROW}\n", "", "N6 has no row"),
        ("| N6 |", "| N66 |", "N66 is not a fault we count"),
        ("| N6 |", "| N5 |", "N5 stands twice"),
        ("| N6 |" + ROW, "| N6 | | | |", "N6 does not say what happens"),
        (
            "| N6 |" + ROW,
            "| N6 | A portal answers | Not the hub's word | later |",
            "N6 names no test and no reason",
        ),
        (
            "test_a_captive_portal_is_not_the_hub",
            "test_that_nobody_wrote",
            "N6: no test_that_nobody_wrote in",
        ),
        ("tests/network/test_publishing.py", "tests/network/test_gone.py", "test_gone.py"),
        ("[`test_a_captive_portal_is_not_the_hub`]", "[a test]", "N6 has a link that names no test"),
    ],
)
def test_a_hole_in_the_table_is_found(was: str, planted: str, complaint: str) -> None:
    text = TABLE.read_text()
    assert was in text
    assert any(complaint in one for one in faults_of(text.replace(was, planted)))
