"""Keeps every projection at the head of the feed, inside the hub's process."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import psycopg
import structlog

from network.doorbell import Doorbell
from network.measures import Measures
from network.projections.actors import actors
from network.projections.cylinders import cylinders
from network.projections.exposures import exposures
from network.projections.fills import fills
from network.projections.history import history
from network.projections.nodes import nodes
from network.projections.projection import Projection, catch_up_once, position_of
from network.store.database import Database

PROJECTIONS: dict[str, Projection] = {
    one.name: one for one in (cylinders, history, fills, exposures, actors, nodes)
}
LOOK_EVERY_S = 5.0
MOST_BATCHES_A_TURN = 20  # so that one projection being rebuilt does not keep the others waiting

log = structlog.get_logger("projections")
count_exposures = "select knew, count(*) as n from exposure group by knew"


async def keep_up(database: Database, doorbell: Doorbell, measures: Measures) -> None:
    """Catch up whenever the feed moves, until cancelled."""
    read_to = -1
    while not doorbell.is_stopped:
        head = await doorbell.wait(beyond=read_to, timeout_s=LOOK_EVERY_S)
        is_done = await asyncio.to_thread(
            catch_up, database, measures, is_stopped=lambda: doorbell.is_stopped
        )
        if is_done and head is not None:
            read_to = head.position


def catch_up(database: Database, measures: Measures, *, is_stopped: Callable[[], bool]) -> bool:
    """Read what is new into every projection; whether all of them reached the end. Never raises."""
    is_done = True
    for projection in PROJECTIONS.values():
        try:
            batches = 0
            while not is_stopped() and catch_up_once(database, projection):
                batches += 1
                if batches == MOST_BATCHES_A_TURN:
                    is_done = False
                    break
        except Exception as wrong:
            # A projection that fails must not stop the log: facts are taken, the officer's page says how old it is.
            log.exception("projection stands still", projection=projection.name, error=type(wrong).__name__)
    try:
        _measure(database, measures)
    except psycopg.Error as wrong:
        log.warning("not measured", error=type(wrong).__name__)
    return is_done


def _measure(database: Database, measures: Measures) -> None:
    with database.transaction() as tx:
        row = tx.execute("select position from feed_head where only_row").fetchone()
        head = 0 if row is None else int(row["position"])
        for projection in PROJECTIONS.values():
            behind = max(0, head - position_of(tx, projection))
            measures.projection_lag.labels(projection=projection.name).set(behind)
        for knew in (True, False):
            measures.exposures.labels(knew=str(knew).lower()).set(0)
        for one in tx.execute(count_exposures):
            measures.exposures.labels(knew=str(one["knew"]).lower()).set(one["n"])
