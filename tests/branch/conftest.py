"""A shop for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.branch.a_shop import Shop, make_shop


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = make_shop(tmp_path)
    yield made
    made.node.store.close()
