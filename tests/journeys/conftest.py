"""A network of real processes, shared by the journeys of one module: each uses cylinders of its own."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from tests.conftest import new_database
from tests.journeys.a_network import Network, start_network


@pytest.fixture(scope="module")
def network(tmp_path_factory: pytest.TempPathFactory, postgres_url: str, redis_url: str) -> Iterator[Network]:
    with new_database(postgres_url) as database_url:
        made = start_network(tmp_path_factory.mktemp("network"), database_url, redis_url)
        yield made
        made.stop()
