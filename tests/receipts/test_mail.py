"""The cover of a receipt: what may stand in a header, and that a repeat is known as one."""

from __future__ import annotations

import datetime as dt
from email import message_from_bytes, policy
from email.message import EmailMessage
from uuid import UUID

import pytest
from tests.receipts.story import ANA, AT, DIVER, named

from eventlog.card import is_address
from eventlog.wire import DiverCard
from receipts.letter import Letter
from receipts.mail import Mail, Unaddressable, mail, message_id, sender_from
from receipts.shop import Shop

SENDER = sender_from("Filltrail receipts <receipts@filltrail.example>")
SHOP = Shop("harbour", "Harbour Dive Shop", "", "desk@harbour.example")
WRITTEN = Letter("Two cylinders filled at Harbour", "Räume — 207 bar\n.\nend\n", "<p>Räume — 207 bar</p>")

LINE_BREAKERS = ["\r", "\n", "\r\n", "\0", "\v", "\f", "\x85", "\u2028", "\u2029"]


def cover(card: DiverCard = ANA, *, shop: Shop = SHOP, now: dt.datetime = AT) -> Mail:
    return mail(WRITTEN, card, handover_id=named("one"), shop=shop, sender=SENDER, now=now)


def opened(ready: Mail) -> EmailMessage:
    message = message_from_bytes(ready.content, policy=policy.default)
    assert isinstance(message, EmailMessage)
    return message


def test_the_message_id_follows_from_the_hand_over_alone() -> None:
    assert message_id(UUID(int=5), SENDER) == (
        "<handover.00000000-0000-0000-0000-000000000005@filltrail.example>"
    )
    assert opened(cover())["Message-ID"] == opened(cover(now=AT + dt.timedelta(days=2)))["Message-ID"]


def test_a_repeat_differs_in_nothing_but_its_date() -> None:
    first, second = cover().content, cover(now=AT + dt.timedelta(hours=1)).content

    differing = [
        one for one, other in zip(first.split(b"\r\n"), second.split(b"\r\n"), strict=True) if one != other
    ]
    assert [line.split(b":")[0] for line in differing] == [b"Date"]


def test_the_date_is_the_clock_that_was_passed_in() -> None:
    assert opened(cover())["Date"].datetime == AT


def test_the_cover_names_the_diver_the_sender_and_the_shop_that_answers() -> None:
    message = opened(cover())

    assert message["To"] == "Ana Ruiz <ana@divers.example>"
    assert message["From"] == "Filltrail receipts <receipts@filltrail.example>"
    assert message["Reply-To"] == "Harbour Dive Shop <desk@harbour.example>"
    assert message["Auto-Submitted"] == "auto-generated"


def test_without_an_address_of_the_shop_the_answer_goes_to_the_sender() -> None:
    assert (
        opened(cover(shop=Shop("harbour", "Harbour")))["Reply-To"] == "Harbour <receipts@filltrail.example>"
    )


def test_both_parts_arrive_as_they_were_written_over_seven_bits() -> None:
    ready = cover()
    plain, html = (opened(ready).get_body((kind,)) for kind in ("plain", "html"))
    assert plain is not None
    assert html is not None

    assert ready.content.isascii()
    assert max(map(len, ready.content.split(b"\r\n"))) <= 998  # RFC 5322, 2.1.1
    assert str(plain.get_content()).replace("\r\n", "\n") == WRITTEN.text
    assert str(html.get_content()).strip() == WRITTEN.html


def test_a_name_in_another_script_arrives_as_it_is() -> None:
    card = ANA.model_copy(update={"name": "Žofia Nguyễn 山田"})

    assert opened(cover(card))["To"].addresses[0].display_name == "Žofia Nguyễn 山田"


@pytest.mark.parametrize("breaker", LINE_BREAKERS)
def test_a_line_break_of_any_kind_in_a_name_is_refused(breaker: str) -> None:
    card = ANA.model_copy(update={"name": f"Ana{breaker}Bcc: all@divers.example"})

    with pytest.raises(Unaddressable) as refused:
        cover(card)
    assert refused.value.reasons == ("the name is not one printable line",)


@pytest.mark.parametrize("breaker", LINE_BREAKERS)
def test_a_line_break_of_any_kind_in_an_address_is_refused(breaker: str) -> None:
    card = DiverCard.model_construct(
        diver_ref=DIVER, name="Ana", email=f"ana@divers.example{breaker}DATA", phone=None
    )

    with pytest.raises(Unaddressable) as refused:
        cover(card)
    assert "divers" not in str(refused.value)


@pytest.mark.parametrize(
    "address",
    [
        "", "ana", "@divers.example", "ana@", "ana@divers", "a b@divers.example", "ana@@divers.example",
        ".ana@divers.example", "ana.@divers.example", "a..b@divers.example", '"ana"@divers.example',
        "ana@divers.example>", "<ana@divers.example>", "ana@[127.0.0.1]", "ana@-divers.example",
        "ana@divers-.example", "ana(x)@divers.example", "ana@divers.example,bob@divers.example", "änä@divers.example",
        "ana@divers.example ", "a" * 65 + "@divers.example", "ana@" + "d" * 64 + ".example",
        "ana@" + ".".join(["divers"] * 40),
    ],
)  # fmt: skip
def test_what_is_not_plainly_an_address_is_refused(address: str) -> None:
    assert not is_address(address)


@pytest.mark.parametrize(
    "address", ["ana@divers.example", "a.b+receipts@sub.divers.example", "o'neil_1@d-1.example"]
)
def test_plain_addresses_are_accepted(address: str) -> None:
    assert is_address(address)


@pytest.mark.parametrize(
    "text", ["", "Receipts", "Receipts <>", "Receipts <a@b.example>\r\nBcc: x@y.example"]
)
def test_a_sender_that_is_none_is_refused_at_the_start(text: str) -> None:
    with pytest.raises(ValueError, match="sender"):
        sender_from(text)
