"""From the feed to the mail: once per hand-over, at most one repeat, never lost while the relay is down."""

from __future__ import annotations

import asyncio
import datetime as dt
import socket
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import TypeVar

import httpx
import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session
from tests.receipts.servers import CLOSE, ScriptedServer
from tests.receipts.story import AIR, ANA, DIVER, NITROX, Branch, HubTwin, Told, known_as, named, psi

import rulebook
from cylinder.facts import Condemned, HandedOver, VisitAbandoned
from eventlog.event import Effect
from eventlog.feed import PageRefused
from eventlog.hub_client import HubClient
from receipts.dispatch import GIVE_UP_AFTER, LONGEST_WAIT_S, Dispatch, wait_s
from receipts.ledger import Ledger, Receipt
from receipts.mail import sender_from
from receipts.post import Post, Relay
from receipts.reading import Reading

pytestmark = pytest.mark.wire

Found = TypeVar("Found")
ONE = named("hand-over one")


@dataclass
class Bench:
    """A worker with a twin of the hub, a clock of its own, and a relay on a port."""

    folder: Path
    port: int
    hub: HubTwin = field(default_factory=HubTwin)
    shop: Branch = field(default_factory=Branch)

    def __post_init__(self) -> None:
        self.ledger = Ledger(self.folder / "receipts.sqlite3")

    def restart(self) -> None:
        """What a crash leaves is the file."""
        self.ledger.close()
        self.ledger = Ledger(self.folder / "receipts.sqlite3")
        self.run(lambda client: self._recover(client))

    def read(self) -> None:
        self.run(lambda client: Reading(self.ledger, client, "hub", self._now).catch_up())

    def send(self, turns: int = 1) -> None:
        """As many turns as asked for, with the clock moved on to each receipt's next attempt."""

        async def work(client: HubClient) -> None:
            dispatch = self._dispatch(client)
            for _ in range(turns):
                if (wait := await dispatch.send_next()) is None:
                    return
                self.hub.now += dt.timedelta(seconds=wait)

        self.run(work)

    def run(self, work: Callable[[HubClient], Coroutine[object, object, Found]]) -> Found:
        async def inside() -> Found:
            async with httpx.AsyncClient(transport=httpx.ASGITransport(self.hub.app())) as http:
                return await work(self.hub.client(http))

        return asyncio.run(inside())

    def receipt(self, name: str = "one") -> Receipt:
        found = self.ledger.receipt(named(f"hand-over {name}"))
        assert found is not None
        return found

    async def _recover(self, client: HubClient) -> None:
        self._dispatch(client).recover()

    def _dispatch(self, client: HubClient) -> Dispatch:
        return Dispatch(
            ledger=self.ledger,
            hub=client,
            post=Post(Relay("127.0.0.1", self.port), greet_as="filltrail.example", timeout_s=5),
            sender=sender_from("Filltrail receipts <receipts@filltrail.example>"),
            pack=rulebook.load("us"),
            clock=self._now,
            chance=lambda: 0.5,
        )

    def _now(self) -> dt.datetime:
        return self.hub.now


@pytest.fixture
def relay() -> Iterator[ScriptedServer]:
    with ScriptedServer() as server:
        yield server


@pytest.fixture
def bench(tmp_path: Path, relay: ScriptedServer) -> Iterator[Bench]:
    made = Bench(tmp_path, relay.port)
    yield made
    made.ledger.close()


def handed_over(bench: Bench, *told: Told, name: str = "one") -> None:
    for one in told:
        bench.hub.carry(*bench.shop.visit(one))
    bench.hub.carry(*bench.shop.hand_over(*told, name=name))


def opened(content: bytes) -> EmailMessage:
    message = message_from_bytes(content, policy=policy.default)
    assert isinstance(message, EmailMessage)
    return message


def text_of(content: bytes) -> str:
    body = opened(content).get_body(("plain",))
    assert body is not None
    return str(body.get_content())


def test_a_hand_over_becomes_one_mail_to_its_diver(bench: Bench, relay: ScriptedServer) -> None:
    bench.hub.introduce(node="harbour", name="Harbour Dive Shop", phone="+1 305 555 0142")
    bench.hub.carry(bench.shop.say(known_as("jo", "Jo M."), subject="actor/jo"))
    handed_over(bench, AIR)
    bench.read()
    bench.send(turns=3)

    assert bench.receipt().state == "sent"
    (given,) = relay.mails
    assert opened(given)["To"] == "Ana Ruiz <ana@divers.example>"
    assert "Ana Ruiz, your cylinder is full" in text_of(given)
    assert "Handed over at Harbour Dive Shop on 13 June 2026. Filled by Jo M." in text_of(given)
    assert "Call +1 305 555 0142." in text_of(given)


def test_two_cylinders_split_over_two_pages_are_one_mail(bench: Bench, relay: ScriptedServer) -> None:
    for told in (AIR, NITROX):
        bench.hub.carry(*bench.shop.visit(told))
    first, second = bench.shop.hand_over(AIR, NITROX)
    bench.hub.carry(first)
    bench.read()
    bench.send(turns=2)
    assert relay.mails == []

    bench.hub.carry(second)
    bench.read()
    bench.send(turns=3)

    (given,) = relay.mails
    assert "14 - FULL - Air" in text_of(given)
    assert "15 - FULL - Nitrox 32.1 %" in text_of(given)


def test_facts_that_come_again_make_no_second_mail(bench: Bench, relay: ScriptedServer) -> None:
    handed_over(bench, AIR, NITROX)
    again = bench.shop.log[:]
    bench.hub.carry(*again[:5])
    bench.read()
    bench.send(turns=3)
    bench.hub.carry(*again)
    bench.read()
    bench.send(turns=3)

    assert len(relay.mails) == 1
    assert bench.ledger.facts_of_handover(ONE) == ()


def test_a_new_epoch_is_read_from_its_start_and_nothing_is_sent_again(
    bench: Bench, relay: ScriptedServer
) -> None:
    handed_over(bench, AIR)
    bench.read()
    bench.send()
    bench.hub.begin_epoch("epoch-two")
    bench.hub.carry(*bench.shop.visit(NITROX), *bench.shop.hand_over(NITROX, name="two"))
    bench.read()
    bench.send(turns=3)

    assert bench.ledger.cursor().epoch == "epoch-two"
    assert len({str(opened(given)["Message-ID"]) for given in relay.mails}) == len(relay.mails) == 2


def test_a_page_that_does_not_continue_changes_nothing(bench: Bench) -> None:
    handed_over(bench, AIR)
    bench.read()
    stood = bench.ledger.cursor()
    bench.hub.hashes = ["1" * 64 for _ in bench.hub.hashes]
    bench.hub.carry(*bench.shop.visit(NITROX))

    with pytest.raises(PageRefused):
        bench.read()
    assert bench.ledger.cursor() == stood


def test_cursor_and_rows_move_together(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    handed_over(bench, AIR)
    monkeypatch.setattr("receipts.ledger.move_cursor", "update cursor set no_such_column = ?")
    with pytest.raises(Exception, match="no_such_column"):
        bench.read()
    monkeypatch.undo()

    assert bench.ledger.cursor().position == 0
    assert bench.ledger.receipt(ONE) is None


def test_an_abandoned_visit_gets_no_mail_and_is_forgotten(bench: Bench) -> None:
    bench.hub.carry(*bench.shop.visit(AIR))
    abandoned = VisitAbandoned(visit_id=AIR.visit_id, why="Left unfilled")
    bench.hub.carry(bench.shop.say(abandoned, subject=f"cylinder/{AIR.cylinder_id}"))
    bench.read()

    assert sum(bench.ledger.counts().values()) == 0


def test_another_shop_neither_ends_a_visit_nor_renames_who_filled(
    bench: Bench, relay: ScriptedServer
) -> None:
    bench.hub.carry(bench.shop.say(known_as("jo", "Jo M."), subject="actor/jo"))
    bench.hub.carry(*bench.shop.visit(AIR))
    liar = Branch(slug="reef")
    abandoned = VisitAbandoned(visit_id=AIR.visit_id, why="Left unfilled")
    bench.hub.carry(liar.say(abandoned, subject=f"cylinder/{AIR.cylinder_id}"))
    bench.hub.carry(liar.say(known_as("jo", "Somebody Else"), subject="actor/jo"))
    bench.hub.carry(*bench.shop.hand_over(AIR))
    bench.read()
    bench.send(turns=2)

    assert bench.receipt().state == "sent"
    assert bench.ledger.known_as("jo") == "Jo M."


def test_another_shop_does_not_take_the_receipt_of_a_hand_over_that_has_half_arrived(
    bench: Bench, relay: ScriptedServer
) -> None:
    bench.hub.carry(*bench.shop.visit(AIR), *bench.shop.visit(NITROX))
    first, second = bench.shop.hand_over(AIR, NITROX)
    liar = Branch(slug="reef")
    bench.hub.carry(first, *liar.hand_over(AIR, diver_ref=None), second)
    bench.read()
    bench.send(turns=2)

    assert (bench.receipt().state, bench.receipt().node) == ("sent", "harbour")


def test_an_old_hand_over_in_an_emptied_ledger_is_no_news(bench: Bench, relay: ScriptedServer) -> None:
    handed_over(bench, AIR)
    bench.hub.now += dt.timedelta(days=3, seconds=1)
    bench.read()
    bench.send(turns=2)

    assert bench.receipt().state == "dropped"
    assert relay.mails == []


def test_a_shop_introduced_by_another_shop_is_not_believed(bench: Bench, relay: ScriptedServer) -> None:
    bench.hub.introduce(node="harbour", name="Harbour Dive Shop", phone="+1 305 555 0142")
    liar = Branch(slug="reef")
    bench.hub.carry(
        liar.write(
            "node.enrolled",
            {"node": "harbour", "name": "X", "phone": "+1 900 555 0000"},
            Effect.NEUTRAL,
            "node/x",
        )
    )
    handed_over(bench, AIR)
    bench.read()
    bench.send()

    assert "+1 305 555 0142" in text_of(relay.mails[0])


def test_a_condemnation_that_came_meanwhile_is_in_the_mail(bench: Bench, relay: ScriptedServer) -> None:
    handed_over(bench, AIR)
    bench.read()
    found = Condemned(
        reason="Crack in the neck",
        criterion_id="c",
        criterion="A crack",
        clause="49 CFR 180.205(i)",
        serial_read="B0471-8Q",
    )
    bench.hub.carry(Branch(slug="reef").say(found, subject=f"cylinder/{AIR.cylinder_id}"))
    bench.read()
    bench.send()

    assert opened(relay.mails[0])["Subject"] == "Do not use your cylinder from harbour"


def test_an_erased_diver_is_dropped_with_the_reason(bench: Bench, relay: ScriptedServer) -> None:
    handed_over(bench, AIR)
    bench.read()
    bench.hub.cards.clear()
    bench.send()

    assert (bench.receipt().state, bench.receipt().reason) == (
        "dropped",
        "the vault knows no such diver (any more)",
    )
    assert relay.verbs == []


def test_a_diver_without_an_address_is_dropped(bench: Bench) -> None:
    bench.hub.cards[DIVER] = ANA.model_copy(update={"email": None})
    handed_over(bench, AIR)
    bench.read()
    bench.send()

    assert (bench.receipt().state, bench.receipt().reason) == ("dropped", "no address")


@pytest.mark.parametrize("card", [{"name": "Ana\r\nBcc: x@y.example"}, {"email": "ana@divers.example\nDATA"}])
def test_header_injection_is_refused_before_the_relay_is_called(
    bench: Bench, relay: ScriptedServer, card: dict[str, str]
) -> None:
    bench.hub.cards[DIVER] = ANA.model_copy(update=card)
    handed_over(bench, AIR)
    bench.read()
    bench.send()

    assert bench.receipt().state == "refused"
    assert relay.verbs == []


def test_facts_that_tell_no_fill_are_refused_with_the_reason(bench: Bench) -> None:
    bench.hub.carry(*bench.shop.visit(AIR)[:3], *bench.shop.hand_over(AIR))
    bench.read()
    bench.send()

    assert bench.receipt().state == "refused"
    assert "has no fill" in bench.receipt().reason


def test_the_vault_is_asked_again_when_the_hub_was_down(bench: Bench, relay: ScriptedServer) -> None:
    handed_over(bench, AIR)
    bench.read()
    bench.hub.is_up = False
    bench.send(turns=2)
    assert bench.receipt().state == "due"

    bench.hub.is_up = True
    bench.send(turns=3)
    assert bench.receipt().state == "sent"
    assert len(relay.mails) == 1


@pytest.mark.parametrize("verb", ["connect", "EHLO", "MAIL", "RCPT", "DATA"])
def test_a_line_that_breaks_before_the_mail_costs_no_doubt(
    bench: Bench, relay: ScriptedServer, verb: str
) -> None:
    handed_over(bench, AIR)
    bench.read()
    relay.answers = {verb: CLOSE}
    bench.send(turns=9)
    assert (bench.receipt().state, bench.receipt().doubts) == ("due", 0)
    assert bench.receipt().attempts > 1

    relay.answers = {}
    bench.send(turns=3)
    assert bench.receipt().state == "sent"
    assert len(relay.mails) == 1


@pytest.mark.parametrize("verb", ["MAIL", "RCPT", "DATA", "end"])
def test_a_refusal_for_good_ends_the_receipt(bench: Bench, relay: ScriptedServer, verb: str) -> None:
    handed_over(bench, AIR)
    bench.read()
    relay.answers = {verb: "550 <ana@divers.example> is not here"}
    bench.send(turns=5)

    assert bench.receipt().state == "refused"
    assert "550 at" in bench.receipt().reason
    assert "divers" not in bench.receipt().reason


def test_a_temporary_no_after_the_mail_is_no_doubt(bench: Bench, relay: ScriptedServer) -> None:
    handed_over(bench, AIR)
    bench.read()
    relay.answers = {"end": "452 full"}
    bench.send(turns=9)
    assert (bench.receipt().state, bench.receipt().doubts) == ("due", 0)

    relay.answers = {}
    bench.send(turns=3)
    assert bench.receipt().state == "sent"


def test_an_answer_that_never_came_gets_one_repeat_of_the_same_mail(
    bench: Bench, relay: ScriptedServer
) -> None:
    handed_over(bench, AIR)
    bench.read()
    relay.answers = {"end": CLOSE}
    bench.send()
    assert (bench.receipt().state, bench.receipt().doubts) == ("due", 1)

    relay.answers = {}
    bench.send(turns=5)
    assert bench.receipt().state == "sent"
    assert len(relay.mails) == 2
    assert len({str(opened(given)["Message-ID"]) for given in relay.mails}) == 1


def test_after_a_second_doubt_a_person_must_look(bench: Bench, relay: ScriptedServer) -> None:
    handed_over(bench, AIR)
    bench.read()
    relay.answers = {"end": CLOSE}
    bench.send(turns=20)

    assert bench.receipt().state == "unknown"
    assert len(relay.mails) == 2
    assert [receipt.handover_id for receipt in bench.ledger.for_a_person()] == [ONE]


def test_a_refusal_after_a_doubt_is_unknown_and_not_refused(bench: Bench, relay: ScriptedServer) -> None:
    handed_over(bench, AIR)
    bench.read()
    relay.answers = {"end": CLOSE}
    bench.send()
    relay.answers = {"RCPT": "550 no"}
    bench.send(turns=5)

    assert bench.receipt().state == "unknown"


def test_a_crash_after_the_mark_is_a_doubt(bench: Bench, relay: ScriptedServer) -> None:
    handed_over(bench, AIR)
    bench.read()
    bench.ledger.mark_sending(ONE, bench.hub.now)
    bench.restart()
    assert (bench.receipt().state, bench.receipt().doubts) == ("due", 1)

    bench.ledger.mark_sending(ONE, bench.hub.now)
    bench.restart()
    assert bench.receipt().state == "unknown"


def test_a_person_may_have_an_unknown_one_sent_again(bench: Bench, relay: ScriptedServer) -> None:
    handed_over(bench, AIR)
    bench.read()
    relay.answers = {"end": CLOSE}
    bench.send(turns=20)
    bench.ledger.ask_again(ONE, now=bench.hub.now)
    relay.answers = {}
    bench.send(turns=2)

    assert bench.receipt().state == "sent"


def test_it_gives_up_after_three_days(bench: Bench, relay: ScriptedServer) -> None:
    handed_over(bench, AIR)
    bench.read()
    relay.answers = {"connect": "421 busy"}
    started = bench.hub.now
    bench.send(turns=3000)

    assert bench.receipt().state == "refused"
    assert bench.receipt().reason.startswith("gave up after 3 days")
    assert GIVE_UP_AFTER <= bench.hub.now - started < GIVE_UP_AFTER + dt.timedelta(seconds=LONGEST_WAIT_S)


def test_the_wait_doubles_to_a_quarter_of_an_hour_with_full_jitter() -> None:
    assert [wait_s(attempts, 1.0) for attempts in (0, 1, 2, 8, 9, 5000)] == [2, 4, 8, 512, 900, 900]
    assert wait_s(9, 0.0) == 0.0
    assert wait_s(9, 0.25) == 225.0


def test_one_relay_that_is_down_is_not_called_for_every_receipt(bench: Bench, relay: ScriptedServer) -> None:
    for tag in range(1, 6):
        handed_over(bench, replace(AIR, tag=tag), name=str(tag))
    bench.read()
    relay.answers = {"EHLO": CLOSE}
    bench.send(turns=2)

    assert relay.verbs == ["EHLO"]


def test_a_real_relay_that_was_down_gets_the_mail_when_it_is_up(tmp_path: Path) -> None:
    with _free() as port:
        pass
    bench = Bench(tmp_path, port)
    handed_over(bench, AIR, NITROX)
    bench.read()
    bench.send(turns=7)
    assert bench.receipt().state == "due"

    with _catching(port) as caught:
        bench.send(turns=3)
    bench.ledger.close()

    assert [one.rcpt_tos for one in caught] == [["ana@divers.example"]]
    assert isinstance(caught[0].content, bytes)
    assert "3442 psi (237 bar)" in text_of(caught[0].content)


def test_the_ledger_holds_no_name_and_no_address(bench: Bench, tmp_path: Path) -> None:
    bench.hub.cards[DIVER] = ANA.model_copy(update={"name": "Zyxwvuta Qponmlk"})
    handed_over(bench, AIR)
    bench.read()
    bench.send(turns=2)

    whole = b"".join(file.read_bytes() for file in tmp_path.iterdir())
    assert b"Zyxwvuta" not in whole
    assert b"divers.example" not in whole


def test_what_a_sent_receipt_was_written_from_is_forgotten(bench: Bench) -> None:
    handed_over(bench, AIR)
    bench.read()
    assert len(bench.ledger.facts_of_handover(ONE)) == 5
    bench.send()

    assert bench.ledger.facts_of_handover(ONE) == ()


def test_a_hand_over_without_a_diver_is_dropped(bench: Bench) -> None:
    bench.hub.carry(*bench.shop.visit(AIR, diver_ref=None), *bench.shop.hand_over(AIR, diver_ref=None))
    bench.read()

    assert bench.receipt().state == "dropped"


def test_a_reference_that_is_a_path_is_not_asked_for(bench: Bench) -> None:
    told = replace(AIR, end=psi(2900))
    bench.hub.carry(*bench.shop.visit(told))
    handed = HandedOver(visit_id=told.visit_id, handover_id=ONE, of=1)
    bench.hub.carry(bench.shop.say(handed, subject=f"cylinder/{told.cylinder_id}", diver_ref=".." + "." * 8))
    bench.read()
    bench.send()

    assert bench.receipt().state == "dropped"
    assert bench.hub.looked_up == 0


class _Keep:
    """What aiosmtpd calls; the name is its own."""

    def __init__(self) -> None:
        self.caught: list[Envelope] = []

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:
        self.caught.append(envelope)
        return "250 kept"


@contextmanager
def _catching(port: int) -> Iterator[list[Envelope]]:
    keep = _Keep()
    controller = Controller(keep, hostname="127.0.0.1", port=port)
    controller.start()
    try:
        yield keep.caught
    finally:
        controller.stop()


@contextmanager
def _free() -> Iterator[int]:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        yield int(probe.getsockname()[1])
