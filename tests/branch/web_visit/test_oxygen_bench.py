"""Clean for oxygen at the bench: recorded by an inspector, ended by anybody, and shown."""

from __future__ import annotations

from uuid import UUID

import pytest
from tests.branch.a_shop import MARKS, Shop
from tests.branch.web_floor.conftest import Tablet, a_tablet, form
from tests.branch.web_visit.conftest import question

from cylinder import commands as c

CLEANED = {"parts": "cylinder and valve", "procedure": "Sheet 4, wiped white", "cleaned_by": "R. Amat"}


@pytest.fixture
def cylinder(shop: Shop) -> UUID:
    registered = shop.do(c.Register, marks=MARKS).cylinder_id
    assert registered is not None
    return registered


def test_an_inspector_records_it_anybody_ends_it_and_the_page_says_how_it_stands(
    inspector: Tablet, shop: Shop, cylinder: UUID
) -> None:
    where = f"/bench/{cylinder}/oxygen"
    page = inspector.get(where)
    assert question(page) == "Not clean for oxygen"
    assert form(page, where).text("until") == "2027-06-15"  # Twelve months: common practice, no source.
    too_long = inspector.send(page, where, **CLEANED, until="2027-06-16")
    assert "counts for 12 months here" in too_long.text
    assert form(too_long, where).text("procedure") == "Sheet 4, wiped white"
    assert inspector.send(page, where, **CLEANED).headers["location"] == where
    assert question(inspector.get(where)) == "Clean for oxygen"
    assert "good to 15 June 2027" in inspector.get(f"/bench/{cylinder}").text
    operator = a_tablet(shop)
    seen = operator.get(where)
    assert "Only an inspector may do that." in seen.text
    assert operator.send(seen, f"{where}/over", why="Oil on the dip tube").headers["location"] == where
    over = operator.get(where)
    assert question(over) == "Not clean for oxygen"
    assert "Oil on the dip tube" in over.text
