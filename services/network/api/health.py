"""/healthz, /readyz, /metrics: for whoever keeps the hub running."""

import psycopg
from fastapi import APIRouter, Response
from psycopg_pool import PoolTimeout
from pydantic import BaseModel

from network.api.problems import Problem, documented
from network.doorbell import Kind
from network.hub import Hub


class Health(BaseModel):
    """The process runs."""

    status: str = "ok"


class Readiness(BaseModel):
    """The hub can take facts, its tasks run, and how it hears that the feed moved."""

    status: str
    epoch: str
    position: int
    doorbell: Kind


def routes(hub: Hub) -> APIRouter:
    """The resource, over this hub."""
    router = APIRouter(tags=["health"])

    @router.get("/healthz", summary="Is the process alive")
    def healthz() -> Health:
        return Health()

    @router.get("/readyz", summary="Can it take facts, and do its tasks run", responses=documented(503))
    def readyz() -> Readiness:
        if hub.background.has_ended:
            raise Problem(
                503,
                "background",
                "A part of the hub has ended by a fault",
                f"Start the hub again: {', '.join(hub.background.has_ended)}.",
            )
        why = hub.trouble()
        if why is not None:
            raise Problem(
                503, "rolled-back", "The hub's database is an older one", f"{why}. Run: network new-epoch."
            )
        try:
            head = hub.head()
        except (psycopg.Error, PoolTimeout) as wrong:
            raise Problem(503, "database", "The database does not answer", type(wrong).__name__) from None
        return Readiness(status="ready", epoch=head.epoch, position=head.position, doorbell=hub.doorbell.kind)

    @router.get("/metrics", summary="Prometheus metrics", response_class=Response)
    def metrics() -> Response:
        head = hub.head()
        hub.measures.feed_position.set(head.position)
        return Response(hub.measures.text(), media_type="text/plain; version=0.0.4; charset=utf-8")

    return router
