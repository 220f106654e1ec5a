"""A small page for whoever keeps the worker running: counts, what needs a person, health and metrics. No addresses.

Must never show or count anything by diver.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

import signage
from receipts.ledger import STATES, Ledger, Receipt
from receipts.worker import Worker

QUIET_TOO_LONG = dt.timedelta(seconds=60)
_pages = signage.environment([Path(__file__).parent / "templates"])


def app(
    worker: Worker,
    ledger: Ledger,
    *,
    crashed: Callable[[BaseException | None], None],
    is_practice: bool = False,
) -> Starlette:
    """The page as an application; the worker runs for as long as it does. `crashed` is told when its loops end."""

    @asynccontextmanager
    async def working(_app: Starlette) -> AsyncIterator[None]:
        async with worker.running() as task:
            task.add_done_callback(lambda ended: crashed(None if ended.cancelled() else ended.exception()))
            yield

    registry = CollectorRegistry()
    registry.register(_Measures(worker, ledger))

    def look(_request: Request) -> Response:
        return HTMLResponse(
            _pages.get_template("overview.html").render(_overview(worker, ledger, is_practice=is_practice))
        )

    def alive(_request: Request) -> Response:
        return PlainTextResponse("ok\n")

    def ready(_request: Request) -> Response:
        doubts = _doubts(worker)
        body = {
            "status": "not ready" if doubts else "ready",
            "reasons": doubts,
            "position": worker.reading.position,
        }
        return JSONResponse(body, status_code=503 if doubts else 200)

    def metrics(_request: Request) -> Response:
        return Response(generate_latest(registry), media_type="text/plain; version=0.0.4; charset=utf-8")

    made = Starlette(
        lifespan=working,
        routes=[
            Route("/", look),
            Route("/healthz", alive),
            Route("/readyz", ready),
            Route("/metrics", metrics),
        ],
    )
    signage.install(made)
    signage.guard(made)
    return made


def _doubts(worker: Worker) -> list[str]:
    """Why this worker is not doing its work. A relay that is down is not among them: waiting for it is the work."""
    heard_at = worker.reading.heard_at
    if heard_at is None:
        return ["the hub has not answered yet"]
    silence = worker.reading.clock() - heard_at
    return [f"the hub has not answered for {silence.seconds} s"] if silence > QUIET_TOO_LONG else []


def _overview(worker: Worker, ledger: Ledger, *, is_practice: bool) -> dict[str, object]:
    now = worker.reading.clock()
    reading = worker.reading
    heard = None if reading.heard_at is None else int(reading.heard_at.timestamp() * 1000)
    chip = signage.Chip("radio", "Hub heard", since_ms=heard, limit_s=60, strong="" if heard else "not yet")
    return {
        "mast": signage.Mast(
            "Receipts", f"{now:%H:%M}", int(now.timestamp() * 1000), chips=(chip,), practice=is_practice
        ),
        "counts": [(state, count) for state, count in ledger.counts().items()],
        "rows": [_row(receipt) for receipt in ledger.for_a_person()],
        "relay_waits_s": _relay_waits_s(worker, now),
        "behind": max(0, reading.head - reading.position),
    }


def _row(receipt: Receipt) -> tuple[str, ...]:
    return (
        str(receipt.handover_id),
        receipt.node,
        receipt.state,
        receipt.reason,
        str(receipt.attempts),
        f"{receipt.due_at:%Y-%m-%d %H:%M} UTC",
    )


def _relay_waits_s(worker: Worker, now: dt.datetime) -> int:
    at = worker.dispatch.not_before
    return 0 if at is None else max(0, int((at - now).total_seconds()))


class _Measures(Collector):
    """Read from the ledger at each scrape, so that a restart loses no figure."""

    def __init__(self, worker: Worker, ledger: Ledger) -> None:
        self._worker = worker
        self._ledger = ledger

    def collect(self) -> Iterator[Metric]:
        receipts = GaugeMetricFamily("filltrail_receipts", "Receipts by state", labels=["state"])
        counts = self._ledger.counts()
        for state in STATES:
            receipts.add_metric([state], counts[state])
        yield receipts
        position = self._ledger.cursor().position
        yield GaugeMetricFamily("filltrail_feed_position", "Feed position that was read", value=position)
        attempts = CounterMetricFamily("filltrail_mail_attempts", "SMTP attempts of this process")
        attempts.add_metric([], self._worker.dispatch.attempts_made)
        yield attempts
