"""Reading a diver's card off a form: strict, because the address is written to and the name is printed. Pure."""

from __future__ import annotations

from pydantic import ValidationError

from cylinder.refusal import Reason
from eventlog.card import has_hidden_signs, is_address, is_phone
from eventlog.wire import DiverCard


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
    if phone and not is_phone(phone):
        reasons.append(Reason("card.phone", "A phone number has digits, spaces, +, - and brackets.", "input"))
    if reasons:
        return tuple(reasons)
    try:
        return DiverCard(diver_ref=diver_ref, name=name, email=email or None, phone=phone or None)
    except ValidationError:
        return (Reason("card.ref", "This form is not whole. Open the page again.", "input"),)
