"""The hub finds a misread serial as the shops do: by the same keys, in PostgreSQL."""

from __future__ import annotations

from random import Random

import pytest
from tests.benchmarks.invented_serials import invented, misreadings

from cylinder.near import bare, near_keys, skeleton
from network.hub import Hub
from network.projections.cylinders import near_claims, put_claim
from network.projections.runner import catch_up

ON_RECORD, EVERY = 1500, 30


@pytest.mark.wire
def test_no_single_mistake_in_reading_is_missed_at_the_hub(hub: Hub) -> None:
    catch_up(hub.database, hub.measures, is_stopped=lambda: False)
    chance = Random(9)
    missed, asked = [], 0
    with hub.database.transaction() as tx:
        tx.executemany(
            put_claim,
            [
                (cylinder_id, bare(serial), skeleton(serial), list(near_keys(serial)))
                for cylinder_id, serial in invented(ON_RECORD)
            ],
        )
        for n, (cylinder_id, serial) in enumerate(invented(ON_RECORD)):
            for one in misreadings(cylinder_id, serial, chance) if n % EVERY == 0 else ():
                asked += 1
                found = {near.cylinder_id for near in near_claims(tx, one.keyed)}
                missed += [] if cylinder_id in found else [one]
    assert (asked, missed) == (400, [])
