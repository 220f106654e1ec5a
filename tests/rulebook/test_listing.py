"""The page of all jurisdictions is what the packs say, and no line of it is without a source."""

from pathlib import Path

import pytest

from rulebook import as_page, jurisdictions, lines_of, load

PAGE = Path(__file__).resolve().parents[2] / "infra" / "rulebook.md"


def rows(text: str, words: str) -> list[list[str]]:
    """The cells of the table below the heading that starts with these words."""
    section = text.partition(f"\n## {words} (")[2].partition("\n## ")[0]
    return [line.strip("|").split("|") for line in section.splitlines() if line.startswith("| ")][1:]


def test_the_page_is_what_the_packs_say() -> None:
    assert PAGE.read_text(encoding="utf-8") == as_page(tuple(load(name) for name in jurisdictions())), (
        "make it again: python -m rulebook > infra/rulebook.md"
    )


@pytest.mark.parametrize("jurisdiction", jurisdictions())
def test_every_line_says_where_it_is_written(jurisdiction: str) -> None:
    pack = load(jurisdiction)
    table = rows(PAGE.read_text(encoding="utf-8"), pack.words)
    assert len(table) == len(lines_of(pack))
    for row in table:
        assert all(cell.strip() for cell in row), row
        assert row[6].strip() in ("law", "standard", "common practice", "from memory")


@pytest.mark.parametrize("jurisdiction", jurisdictions())
def test_no_line_of_a_pack_is_left_out(jurisdiction: str) -> None:
    pack = load(jurisdiction)
    parts = (pack.specifications, pack.rules, pack.marks, pack.fillers, pack.air, pack.criteria)
    listed = lines_of(pack)
    assert len(listed) == sum(len(part) for part in parts)
    assert len({(line.kind, line.id) for line in listed}) == len(listed)


def test_the_page_says_to_whom_it_defers() -> None:
    top = PAGE.read_text(encoding="utf-8").partition("\n## ")[0]
    assert "local codes" in top
    assert "When in doubt, do not fill" in top
