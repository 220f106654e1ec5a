"""A task of the hub that a bug ended is told to whoever keeps the hub running, and the hub still closes."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

import httpx
import psycopg
import pytest
from prometheus_client import Gauge
from structlog.testing import capture_logs
from tests.network.shop import serving

from network.doorbell import Doorbell
from network.hub import Hub
from network.measures import Measures
from network.store.pages import FeedHead

pytestmark = pytest.mark.wire

WITHIN_S = 10.0


def with_a_faulty_doorbell(hub: Hub) -> Hub:
    def look() -> FeedHead:
        raise ZeroDivisionError

    return replace(hub, doorbell=Doorbell(database_url=hub.database.url, redis_url=None, look=look))


def with_a_faulty_reader(hub: Hub) -> Hub:
    measures = Measures()
    # It has no label, so that measuring a projection's lag is an error.
    measures.projection_lag = Gauge("lag_without_label", "A fault", registry=measures.registry)
    return replace(hub, measures=measures)


def ready_until_not(url: str) -> httpx.Response:
    until = time.monotonic() + WITHIN_S
    while (answer := httpx.get(f"{url}/readyz", trust_env=False)).status_code == 200:
        if time.monotonic() > until:
            break
        time.sleep(0.02)
    return answer


@pytest.mark.parametrize(
    ("name", "broken"), [("doorbell", with_a_faulty_doorbell), ("projections", with_a_faulty_reader)]
)
def test_a_task_that_a_fault_ended_makes_the_hub_not_ready_and_lets_it_close(
    hub: Hub, name: str, broken: Callable[[Hub], Hub]
) -> None:
    with capture_logs() as logged, serving(broken(hub)) as served:
        answer = ready_until_not(served.url)
    assert (answer.status_code, answer.headers["content-type"]) == (503, "application/problem+json")
    assert answer.json()["type"] == "urn:filltrail:problem:background"
    assert name in answer.json()["detail"]
    assert [one["task"] for one in logged if one["event"] == "task ended by a fault"] == [name]
    with pytest.raises(psycopg.Error):
        hub.head()


def test_a_hub_whose_tasks_run_is_ready_and_ends_without_a_word_of_fault(hub: Hub) -> None:
    with capture_logs() as logged, serving(hub) as served:
        assert httpx.get(f"{served.url}/readyz", trust_env=False).status_code == 200
    assert hub.background.has_ended == ()
    assert not [one for one in logged if one["event"] == "task ended by a fault"]
