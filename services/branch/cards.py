"""Reading a diver's card off a form: strict, because the address is written to and the name is printed. Pure."""

from __future__ import annotations

import re
import unicodedata

from pydantic import ValidationError

from cylinder.refusal import Reason
from eventlog.wire import DiverCard

_ADDRESS = re.compile(
    r"(?!\.)[A-Za-z0-9!#$%&'*+/=?^_`{|}~.-]{1,64}(?<!\.)@"
    r"(?:[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?\.)+[A-Za-z]{2,63}"
)
"""The dot-atom form of RFC 5322 3.4.1 with a host name; quoted parts and address literals are not taken."""

LONGEST_ADDRESS = 254
"""RFC 5321 4.5.3.1.3 allows a path of 256 octets with its two angle brackets."""


def card_of(diver_ref: str, *, name: str, email: str, phone: str) -> DiverCard | tuple[Reason, ...]:
    """The card, or every reason why it is none. An empty address or number is "none given"."""
    reasons = []
    if not name:
        reasons.append(Reason("card.name", "Key the diver's name.", "input"))
    if len(name) > 120:
        reasons.append(Reason("card.name", "The name is longer than 120 signs.", "input"))
    for what, value in (("name", name), ("e-mail address", email), ("phone number", phone)):
        if has_hidden_signs(value):
            reasons.append(
                Reason("card.signs", f"The {what} holds a line break or a sign that cannot be seen.", "input")
            )
    if email and not is_address(email):
        reasons.append(
            Reason("card.email", f"{email[:80]} is not an e-mail address. Read it again.", "input")
        )
    if phone and not re.fullmatch(r"[0-9+()/. -]{3,40}", phone):
        reasons.append(Reason("card.phone", "A phone number has digits, spaces, +, - and brackets.", "input"))
    if reasons:
        return tuple(reasons)
    try:
        return DiverCard(diver_ref=diver_ref, name=name, email=email or None, phone=phone or None)
    except ValidationError:
        return (Reason("card.ref", "This form is not whole. Open the page again.", "input"),)


def is_address(text: str) -> bool:
    """Whether mail can be sent there, as far as the signs go."""
    return len(text) <= LONGEST_ADDRESS and ".." not in text and _ADDRESS.fullmatch(text) is not None


def has_hidden_signs(text: str) -> bool:
    """Control signs, line and paragraph separators, and signs that turn the direction of writing."""
    return any(unicodedata.category(sign) in ("Cc", "Cf", "Zl", "Zp") for sign in text)
