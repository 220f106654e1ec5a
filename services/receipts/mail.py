"""A letter in its cover: From, To, Message-ID and the two bodies, as the bytes that go over the wire. Pure.

Must never let a name or an address become a second header, nor give one hand-over two different Message-IDs.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, parseaddr
from typing import Literal
from uuid import UUID

from eventlog.card import is_address
from eventlog.wire import DiverCard
from receipts.letter import Letter
from receipts.shop import Shop, is_one_line

# 7bit: no relay on the way has to know 8BITMIME, and none has a reason to write the body anew.
_POLICY = SMTP.clone(cte_type="7bit", max_line_length=76)


About = Literal["handover", "recall"]


class Unaddressable(Exception):
    """The card cannot stand on a cover; all reasons, and nothing of what was on the card."""

    def __init__(self, reasons: tuple[str, ...]) -> None:
        super().__init__("; ".join(reasons))
        self.reasons = reasons


@dataclass(frozen=True, slots=True)
class Sender:
    """Who the mail is from: a name and an address."""

    name: str
    address: str

    @property
    def domain(self) -> str:
        return self.address.rpartition("@")[2]


@dataclass(frozen=True, slots=True)
class Mail:
    """What one SMTP transaction carries; sender and recipient are the envelope's, already judged."""

    sender: str
    recipient: str
    content: bytes


def sender_from(text: str) -> Sender:
    """Read "Name <address>". Raises ValueError when it is not one such."""
    if not is_one_line(text):
        raise ValueError("the sender is one line, like: Receipts <receipts@shop.example>")
    name, address = parseaddr(text)
    if not is_address(address):
        raise ValueError("the sender has no address that mail can be sent from")
    return Sender(name, address)


def message_id(letter_id: UUID, sender: Sender, about: About = "handover") -> str:
    """The same for every attempt at one letter, so that a repeat is known as one."""
    return f"<{about}.{letter_id}@{sender.domain}>"


def card_doubts(card: DiverCard) -> tuple[str, ...]:
    """Every reason why this name and address cannot be written to."""
    doubts = []
    if not is_one_line(card.name):
        doubts.append("the name is not one printable line")
    if card.email is None or not is_address(card.email):
        doubts.append("the address is not one that mail can be sent to")
    return tuple(doubts)


def mail(
    written: Letter,
    card: DiverCard,
    *,
    handover_id: UUID,
    shop: Shop,
    sender: Sender,
    now: dt.datetime,
    about: About = "handover",
) -> Mail:
    """The letter in its cover. Raises Unaddressable."""
    doubts = card_doubts(card)
    if doubts or card.email is None:
        raise Unaddressable(doubts)
    message = EmailMessage(policy=_POLICY)
    message["From"] = Address(sender.name, addr_spec=sender.address)
    message["To"] = Address(card.name, addr_spec=card.email)
    message["Reply-To"] = Address(shop.name, addr_spec=shop.reply_to or sender.address)
    message["Subject"] = written.subject
    message["Date"] = format_datetime(now.astimezone(dt.UTC))
    message["Message-ID"] = message_id(handover_id, sender, about)
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834, 5: so that no out-of-office answers it
    message.set_content(written.text, cte="quoted-printable")
    message.add_alternative(written.html, subtype="html", cte="quoted-printable")
    # The library's own boundary is random; a repeat of the mail shall be the same mail.
    message.set_boundary(f"=_handover_{handover_id.hex}")
    return Mail(sender=sender.address, recipient=card.email, content=message.as_bytes())
