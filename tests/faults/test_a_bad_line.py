"""Whatever the line does, the counter goes on, nothing that the hub did not say counts as heard, and nothing is lost or doubled."""

from __future__ import annotations

import pytest
from tests.faults import troubles
from tests.faults.a_line import EVERYTHING, Trouble
from tests.faults.conftest import Faulty
from tests.journeys.a_network import wait_until

pytestmark = [pytest.mark.wire, pytest.mark.slow]

THIN_BYTES = 12_000
SMALLEST_FACT_BYTES = 600

BREAKS: tuple[Trouble, ...] = (
    troubles.reset,
    troubles.lost_answer,
    troubles.truncated,
    troubles.portal,
    troubles.another_key,
    troubles.one_changed_sign,
)


@pytest.mark.parametrize("trouble", BREAKS, ids=lambda trouble: trouble.__name__)
def test_a_fault_of_the_line_stops_no_counter_and_brings_no_news(faulty: Faulty, trouble: Trouble) -> None:
    lantern, line = faulty.lantern, faulty.line
    line.suffer(trouble)
    cylinder_id = faulty.condemned_next_door()
    wait_until(lambda: line.met["feed"] >= 1, "the shop asks for news")
    before = lantern.heard_at()
    recorded = lantern.fill()
    wait_until(lambda: line.met["feed"] >= 2 and line.met["push"] >= 1, "it asks again, and sends")
    wait_until(lambda: lantern.news()["link"] == "cut", "it says that the line is cut")
    assert lantern.heard_at() == before
    assert not lantern.is_blocked(cylinder_id)
    line.heal()
    faulty.everything_arrives(cylinder_id, recorded)
    assert lantern.heard_at() > before


def test_a_line_that_takes_everything_and_says_nothing_counts_as_cut(faulty: Faulty) -> None:
    lantern, line = faulty.lantern, faulty.line
    line.suffer(troubles.silent)
    cylinder_id = faulty.condemned_next_door()
    wait_until(lambda: line.met["feed"] >= 1, "the shop asks for news")
    before = lantern.heard_at()
    recorded = lantern.fill()
    wait_until(lambda: lantern.news()["link"] == "cut", "the shop gives the line up")
    assert lantern.heard_at() == before
    line.heal()
    faulty.everything_arrives(cylinder_id, recorded)


def test_facts_go_up_while_no_news_comes(faulty: Faulty) -> None:
    lantern, line = faulty.lantern, faulty.line
    line.suffer(troubles.reset, frozenset({"feed"}))
    cylinder_id = faulty.condemned_next_door()
    wait_until(lambda: line.met["feed"] >= 1, "the shop asks for news")
    before = lantern.heard_at()
    recorded = lantern.fill()
    wait_until(lambda: not lantern.news()["unsent"], "the hub has its facts")
    wait_until(lambda: line.met["feed"] >= 2, "the shop asks again")
    assert lantern.heard_at() == before
    line.heal()
    faulty.everything_arrives(cylinder_id, recorded)


def test_news_comes_while_no_fact_goes_up(faulty: Faulty) -> None:
    lantern, line = faulty.lantern, faulty.line
    line.suffer(troubles.reset, frozenset({"push", "other"}))
    before = lantern.heard_at()
    recorded = lantern.fill()
    cylinder_id = faulty.condemned_next_door()
    wait_until(lambda: lantern.is_blocked(cylinder_id), "the condemnation arrives", within_s=15)
    assert lantern.heard_at() > before
    assert lantern.news()["unsent"] == len(recorded)
    line.heal()
    faulty.everything_arrives(cylinder_id, recorded)


def test_every_request_sent_twice_makes_one_copy(faulty: Faulty) -> None:
    faulty.line.suffer(troubles.twice)
    cylinder_id = faulty.condemned_next_door()
    recorded = faulty.lantern.fill()
    faulty.everything_arrives(cylinder_id, recorded)
    assert faulty.line.met["push"] >= 1
    faulty.line.heal()


def test_a_slow_line_is_slow_and_whole(faulty: Faulty) -> None:
    faulty.line.suffer(troubles.delayed(1.0))
    cylinder_id = faulty.condemned_next_door()
    recorded = faulty.lantern.fill()
    faulty.everything_arrives(cylinder_id, recorded)
    faulty.line.heal()


def test_a_line_too_thin_for_the_whole_backlog_takes_it_in_pieces(faulty: Faulty) -> None:
    lantern, line = faulty.lantern, faulty.line
    line.suffer(troubles.reset, frozenset({"push"}))
    recorded = [one for _ in range(3) for one in lantern.fill()]
    line.suffer(troubles.too_thin(THIN_BYTES), frozenset({"push"}))
    wait_until(lambda: not lantern.news()["unsent"], "the hub has its facts", within_s=30)
    assert line.met["push"] >= len(recorded) * SMALLEST_FACT_BYTES // THIN_BYTES
    line.heal()
    faulty.everything_arrives(faulty.condemned_next_door(), recorded)


def test_a_line_that_comes_and_goes_lets_everything_through(faulty: Faulty) -> None:
    recorded, cylinder_id = list[str](), ""
    for _ in range(6):
        faulty.line.suffer(troubles.reset, EVERYTHING)
        recorded += faulty.lantern.fill()
        faulty.line.heal()
        cylinder_id = faulty.condemned_next_door()
    faulty.everything_arrives(cylinder_id, recorded)


def test_after_all_of_it_the_shops_log_is_whole(faulty: Faulty) -> None:
    assert faulty.lantern.program.report()["problems"] == []
