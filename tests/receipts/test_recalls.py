"""A finding that comes late reaches who breathes from the cylinder: each diver once for a cylinder, many in one letter."""

from __future__ import annotations

import datetime as dt
import sqlite3

import pytest
from tests.receipts.servers import ScriptedServer
from tests.receipts.story import AIR, DIVER, Branch, Told, known_as
from tests.receipts.test_worker import Bench, bench, handed_over, opened, relay, text_of

from cylinder.facts import Condemned, HoldPlaced
from cylinder.marks import Marks
from receipts.ledger import Receipt
from receipts.recalling import OLDEST_RECALL

__all__ = ["bench", "relay"]
pytestmark = pytest.mark.wire
MANY = tuple(
    Told(tag=n + 1, marks=Marks(serial=f"R{n:04d}", maker="M1002", spec="3AL", first_test="2019-04"))
    for n in range(40)
)


def condemn(bench: Bench, *told: Told, at: Branch | None = None) -> None:
    """Another shop's word, which came late."""
    reef = at or Branch(slug="reef")
    for one in told:
        found = Condemned(
            reason="Crack in the neck", criterion_id="c", criterion="A crack", clause="", serial_read="B0471"
        )
        bench.hub.carry(reef.say(found, subject=f"cylinder/{one.cylinder_id}"))


def recalls(relay: ScriptedServer) -> list[bytes]:
    return [given for given in relay.mails if "<recall." in str(opened(given)["Message-ID"])]


def letters(bench: Bench) -> list[Receipt]:
    with sqlite3.connect(bench.folder / "receipts.sqlite3") as db:
        ids = [row[0] for row in db.execute("select handover_id from receipt")]
    db.close()
    found = [bench.ledger.receipt(one) for one in ids]
    return [one for one in found if one is not None and bench.ledger.is_recall(one.handover_id)]


def receipt_sent(bench: Bench, *told: Told) -> None:
    handed_over(bench, *told)
    bench.read()
    bench.send(turns=3)


def test_the_diver_is_told_once_whatever_comes_again(bench: Bench, relay: ScriptedServer) -> None:
    receipt_sent(bench, AIR)
    reef = Branch(slug="reef")
    condemn(bench, AIR, at=reef)
    bench.read()
    bench.send(turns=3)
    bench.restart()
    bench.hub.carry(*reef.log, *bench.shop.log)
    bench.read()
    bench.send(turns=3)
    bench.hub.begin_epoch("epoch-two")
    bench.read()
    bench.send(turns=3)
    (given,) = recalls(relay)
    assert opened(given)["Subject"] == "Do not use a cylinder that was filled for you"
    assert opened(given)["To"] == "Ana Ruiz <ana@divers.example>"
    text = text_of(given)
    assert "Ana Ruiz, do not use this cylinder" in text
    assert "Serial B0471-8Q" in text
    assert "Found: condemned on 13 June 2026 at reef" in text
    assert "Filled: 13 June 2026 at harbour" in text


def test_forty_cylinders_of_one_diver_are_one_letter(bench: Bench, relay: ScriptedServer) -> None:
    receipt_sent(bench, *MANY)
    reef = Branch(slug="reef")
    condemn(bench, *MANY[:25], at=reef)
    bench.read()
    condemn(bench, *MANY[25:], at=reef)
    bench.read()
    bench.send(turns=5)
    (given,) = recalls(relay)
    assert opened(given)["Subject"] == "Do not use 40 cylinders that were filled for you"
    assert all(f"Serial {one.marks.serial} " in text_of(given) for one in MANY)


def test_two_findings_on_one_cylinder_are_one_letter(bench: Bench, relay: ScriptedServer) -> None:
    receipt_sent(bench, AIR)
    condemn(bench, AIR)
    bench.read()
    bench.send(turns=3)
    condemn(bench, AIR, at=Branch(slug="pier"))
    bench.read()
    bench.send(turns=3)
    assert len(recalls(relay)) == 1


def test_a_hold_is_a_doubt_and_calls_nothing_back(bench: Bench, relay: ScriptedServer) -> None:
    receipt_sent(bench, AIR)
    held = HoldPlaced(reason="Smells of oil")
    bench.hub.carry(Branch(slug="reef").say(held, subject=f"cylinder/{AIR.cylinder_id}"))
    bench.read()
    assert letters(bench) == []


def test_a_finding_on_another_cylinder_calls_nothing_back(bench: Bench) -> None:
    receipt_sent(bench, AIR)
    other = Told(tag=20, marks=Marks(serial="C1", maker="M1002", spec="3AL", first_test="2019-04"))
    condemn(bench, other)
    bench.read()
    assert letters(bench) == []


def test_a_fill_without_a_diver_is_told_to_nobody(bench: Bench) -> None:
    bench.hub.carry(*bench.shop.visit(AIR, diver_ref=None))
    condemn(bench, AIR)
    bench.read()
    assert letters(bench) == []


def test_an_erased_diver_gets_no_letter(bench: Bench, relay: ScriptedServer) -> None:
    receipt_sent(bench, AIR)
    bench.hub.cards.pop(DIVER)
    condemn(bench, AIR)
    bench.read()
    bench.send(turns=3)
    assert recalls(relay) == []
    assert [one.state for one in letters(bench)] == ["dropped"]


def test_a_finding_from_long_ago_in_an_emptied_ledger_is_not_mailed(
    bench: Bench, relay: ScriptedServer
) -> None:
    handed_over(bench, AIR)
    condemn(bench, AIR)
    bench.hub.now += OLDEST_RECALL + dt.timedelta(hours=1)
    bench.read()
    bench.send(turns=3)
    assert recalls(relay) == []
    assert [one.state for one in letters(bench)] == ["dropped"]


def test_a_relay_that_was_down_for_an_hour_costs_nobody_the_letter(
    bench: Bench, relay: ScriptedServer
) -> None:
    receipt_sent(bench, AIR)
    condemn(bench, AIR)
    bench.read()
    relay.answers["MAIL"] = "451 later"
    bench.send(turns=4)
    assert recalls(relay) == []
    relay.answers.clear()
    bench.send(turns=4)
    assert len(recalls(relay)) == 1
    assert [one.state for one in letters(bench)] == ["sent"]


def test_news_about_people_in_the_same_page_makes_no_old_finding_a_new_one(
    bench: Bench, relay: ScriptedServer
) -> None:
    handed_over(bench, AIR)
    condemn(bench, AIR)
    bench.hub.now += OLDEST_RECALL + dt.timedelta(hours=1)
    bench.hub.carry(bench.shop.say(known_as("jo", "Jo M."), subject="actor/jo"))
    bench.read()
    bench.send(turns=3)
    assert recalls(relay) == []
    assert [one.state for one in letters(bench)] == ["dropped"]
