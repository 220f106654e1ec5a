"""A hub over a fresh database, and the same hub behind a port."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.network.shop import Served, Shop, hub_settings, let_shop_in, make_hub, serving

from network.hub import Hub


@pytest.fixture
def hub(fresh_database: str, tmp_path: Path) -> Iterator[Hub]:
    hub = make_hub(hub_settings(fresh_database, tmp_path))
    yield hub
    hub.close()


@pytest.fixture
def served(hub: Hub) -> Iterator[Served]:
    with serving(hub) as found:
        yield found


@pytest.fixture
def reef(hub: Hub) -> Shop:
    shop = Shop("reef-road")
    let_shop_in(hub, shop)
    shop.open()
    return shop
