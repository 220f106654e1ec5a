"""What the feed says of the shops and of the people who work there, as far as a receipt shows it. Pure.

Must never believe anybody but the hub about a shop, nor put a line into a mail that could start a second header.
"""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import BaseModel, ConfigDict, ValidationError

from eventlog.card import has_hidden_signs, is_address, is_phone
from eventlog.envelope import Envelope

NODE_ENROLLED = "node.enrolled"

LONGEST_NAME = 120


@dataclass(frozen=True, slots=True)
class Shop:
    """How a diver finds the shop again. `phone` and `reply_to` are empty when the network was not told."""

    node: str
    name: str
    phone: str = ""
    reply_to: str = ""


class _Enrolled(BaseModel):
    """The body of `node.enrolled`, as far as it concerns a diver; what does not fit is left out, not refused."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    node: str
    name: str
    phone: str | None = None
    reply_to: str | None = None


def enrolled_shop(envelope: Envelope, *, hub_node: str) -> Shop | None:
    """The shop that this fact enrols, if it is such a fact and the hub's own."""
    if envelope.event.kind != NODE_ENROLLED or envelope.place.node != hub_node:
        return None
    try:
        said = _Enrolled.model_validate(envelope.event.body)
    except ValidationError:
        return None
    phone, reply_to = said.phone or "", said.reply_to or ""
    return Shop(
        node=said.node,
        name=said.name if is_one_line(said.name) else said.node,
        phone=phone if is_phone(phone) else "",
        reply_to=reply_to if is_address(reply_to) else "",
    )


def is_one_line(text: str) -> bool:
    """Whether a name is one printable line: no CR, LF, NUL, VT, FF, U+0085, U+2028/9, nor marks that turn text round."""
    return not has_hidden_signs(text) and bool(text.strip()) and len(text) <= LONGEST_NAME
