"""One rule for a card at the counter, in the vault and on the mail: what one takes none of the others refuses."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from branch.cards import card_of
from eventlog.card import has_hidden_signs, is_phone
from eventlog.wire import DiverCard, Enrolment
from network.vault import card_doubts
from receipts.mail import card_doubts as mail_doubts


@pytest.mark.parametrize("phone", ["(305) 555-0100", "+47 (22) 33-44", "555 0100", "112", "01/2345.67"])
@pytest.mark.parametrize("email", ["a.b@example.org", "a@x1.example", "o'neil+dive@example.co"])
def test_what_the_counter_takes_the_vault_and_the_mail_take(phone: str, email: str) -> None:
    card = card_of("diver-0009", name="Zoë Ångström-Lee", email=email, phone=phone)
    assert isinstance(card, DiverCard)
    assert card_doubts(card) == []
    assert mail_doubts(card) == ()


@pytest.mark.parametrize("phone", ["", "+", "()", "12", "()()", "ring me", "1" * 41, "555\n0100", "+1 x22"])
def test_what_is_no_number_is_none(phone: str) -> None:
    assert not is_phone(phone)


@pytest.mark.parametrize("phone", ["", "(305) 555-0100", "+47 (22) 33-44", "112", "01/2345.67"])
def test_a_shop_joins_with_any_number_that_its_receipts_can_show(phone: str) -> None:
    assert Enrolment(code="a-code-of-ours", public_key="key", phone=phone).phone == phone


@pytest.mark.parametrize("phone", ["+", "()()", "12", "  ", "ring me", "1" * 41, "555\n0100", "555 0100\n"])
def test_a_shop_does_not_join_with_a_number_that_its_receipts_would_leave_out(phone: str) -> None:
    with pytest.raises(ValidationError):
        Enrolment(code="a-code-of-ours", public_key="key", phone=phone)


@pytest.mark.parametrize("sign", ["\r", "\n", "\0", "\x0b", "\x85", "\u2028", "\u202e", "\ud800"])
def test_a_sign_that_cannot_be_seen_is_found(sign: str) -> None:
    assert has_hidden_signs(f"Ana{sign}Duarte")
