"""A shop's clock that is wrong: no day comes back, the line goes on, and news is never taken for fresher than it is."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from tests.conftest import new_database
from tests.faults import troubles
from tests.faults.a_line import EVERYTHING
from tests.faults.conftest import Faulty, faulty_network
from tests.journeys.a_network import wait_until

from eventlog.practice import PRACTICE_CLOCK

pytestmark = [pytest.mark.wire, pytest.mark.slow]

DAY_S = 24 * 60 * 60
A_MOMENT = dt.timedelta(seconds=30)


@dataclass(frozen=True)
class Clocked:
    """The lantern, whose clock is moved by what a file says."""

    faulty: Faulty
    file: Path

    def turn(self, seconds: int) -> None:
        new = self.file.with_suffix(".new")
        new.write_text(str(seconds))
        new.replace(self.file)

    def recorded_at(self, ids: list[str]) -> list[dt.datetime]:
        rows = self.faulty.lantern.rows("select event_id, at from fact")
        times = {str(event_id): dt.datetime.fromisoformat(str(at)) for event_id, at in rows}
        return [times[one] for one in ids]


@pytest.fixture(scope="module")
def clocked(tmp_path_factory: pytest.TempPathFactory, postgres_url: str) -> Iterator[Clocked]:
    folder = tmp_path_factory.mktemp("clocked")
    file = folder / "clock"
    file.write_text("0")
    env = {PRACTICE_CLOCK: str(file)}
    with (
        new_database(postgres_url) as database_url,
        faulty_network(folder, database_url, env=env) as faulty,
    ):
        yield Clocked(faulty, file)


def now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)


@pytest.mark.parametrize("seconds", [-DAY_S, -int(time.time())], ids=["a day back", "in 1970"])
def test_a_clock_set_back_brings_no_day_back_and_cuts_no_line(clocked: Clocked, seconds: int) -> None:
    before = now() - A_MOMENT
    clocked.turn(seconds)
    recorded = clocked.faulty.lantern.fill()
    assert min(clocked.recorded_at(recorded)) > before
    clocked.faulty.everything_arrives(clocked.faulty.condemned_next_door(), recorded)
    clocked.turn(0)


def test_a_shop_that_starts_in_1970_without_its_hub_goes_by_the_last_time_the_hub_signed(
    clocked: Clocked,
) -> None:
    lantern = clocked.faulty.lantern
    before = now() - A_MOMENT
    clocked.faulty.everything_arrives(clocked.faulty.condemned_next_door(), [])
    clocked.faulty.line.suffer(troubles.reset, EVERYTHING)
    clocked.turn(-int(time.time()))
    lantern.program.restart()
    recorded = lantern.fill()
    assert min(clocked.recorded_at(recorded)) > before
    clocked.turn(0)
    clocked.faulty.line.heal()
    clocked.faulty.everything_arrives(clocked.faulty.condemned_next_door(), recorded)


def test_news_from_a_clock_that_was_a_day_ahead_does_not_count_as_fresh(clocked: Clocked) -> None:
    lantern, line = clocked.faulty.lantern, clocked.faulty.line
    clocked.turn(DAY_S)
    wait_until(lambda: lantern.heard_at() > now() + dt.timedelta(hours=23), "the hub is heard by that clock")
    line.suffer(troubles.reset, EVERYTHING)
    clocked.turn(0)
    taken = lantern.take().go_through(until="see_standing")
    refused = taken.tablet.send("see_standing", visit_id=taken.visit_id)
    assert refused.status_code == 409
    assert "Nobody here can know what others have found" in refused.json()["detail"]
    line.heal()
    clocked.faulty.everything_arrives(clocked.faulty.condemned_next_door(), taken.acknowledged)
    taken.tablet = lantern.tablet()
    taken.tablet.do("see_standing", visit_id=taken.visit_id)
