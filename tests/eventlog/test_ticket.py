"""Tickets: one node, one key, one minute, one algorithm, one audience."""

from __future__ import annotations

import base64
import datetime as dt
import json

import jwt
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from hypothesis import given
from hypothesis import strategies as st

from eventlog import ticket
from eventlog.answer import check_answer, sign_answer
from eventlog.envelope import Forged
from eventlog.keys import key_id

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
NOW = dt.datetime(2026, 6, 14, 9, 41, tzinfo=dt.UTC)


def keys(node: str) -> Ed25519PublicKey | None:
    return KEY.public_key() if node == "quay" else None


def after(**later: float) -> dt.datetime:
    return NOW + dt.timedelta(**later)


def made(key: object = KEY, *, algorithm: str = "EdDSA", **changes: object) -> str:
    issued = int(NOW.timestamp())
    claims = {"sub": "quay", "aud": ticket.AUDIENCE, "iat": issued, "exp": issued + 60} | changes
    claims = {name: value for name, value in claims.items() if value is not None}
    return jwt.encode(claims, key, algorithm=algorithm, headers={"kid": key_id(KEY.public_key())})  # type: ignore[arg-type]  # wrong kinds of keys are the point


def test_a_fresh_ticket_names_its_node() -> None:
    assert ticket.check(ticket.issue("quay", KEY, NOW), keys, after(seconds=50)) == "quay"


@pytest.mark.parametrize("later", [after(seconds=91), after(days=1), after(seconds=-31), after(days=-1)])
def test_a_ticket_of_another_minute_is_refused_and_says_that_it_is_the_time(later: dt.datetime) -> None:
    with pytest.raises(ticket.TicketRefused) as refused:
        ticket.check(ticket.issue("quay", KEY, NOW), keys, later)
    assert refused.value.is_out_of_time


@pytest.mark.parametrize(
    "token",
    [
        made(sub="reef"),
        made(sub=None),
        made(aud="another-hub"),
        made(aud=None),
        made(exp=None),
        made(iat=None),
        made(exp=int(NOW.timestamp()) + 3600),
        made(Ed25519PrivateKey.generate()),
        "",
        "a.b.c",
        "x" * 5000,
    ],
    ids=["unknown node", "no node", "audience", "no audience", "no end", "no begin", "long life", "key", "empty", "no", "long"],
)  # fmt: skip
def test_any_other_ticket_is_refused(token: str) -> None:
    with pytest.raises(ticket.TicketRefused) as refused:
        ticket.check(token, keys, NOW)
    assert not refused.value.is_out_of_time


def test_a_ticket_without_a_signature_is_refused() -> None:
    head, body, _ = ticket.issue("quay", KEY, NOW).split(".")
    header = json.loads(base64.urlsafe_b64decode(head + "=="))
    for algorithm in ("none", "HS256"):
        forged = (
            base64.urlsafe_b64encode(json.dumps(header | {"alg": algorithm}).encode()).decode().rstrip("=")
        )
        with pytest.raises(ticket.TicketRefused):
            ticket.check(f"{forged}.{body}.", keys, NOW)


def test_the_public_key_is_no_secret_to_sign_with() -> None:
    # The confusion of algorithms: HMAC with the public key as its secret (RFC 8725, 2.1).
    secret = KEY.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
    with pytest.raises(ticket.TicketRefused):
        ticket.check(made(secret, algorithm="HS256"), keys, NOW)


@given(st.text(max_size=200))
def test_any_text_is_refused_and_never_more(token: str) -> None:
    with pytest.raises(ticket.TicketRefused):
        ticket.check(token, keys, NOW)


def test_an_answer_is_believed_when_the_hub_signed_exactly_it() -> None:
    body = b'{"answer":"accepted"}'
    check_answer(body, sign_answer(body, KEY), KEY.public_key())


@pytest.mark.parametrize("signature", [None, "", "AA==", "not base64 at all", sign_answer(b"another", KEY)])
def test_any_other_answer_is_not(signature: str | None) -> None:
    with pytest.raises(Forged):
        check_answer(b'{"answer":"accepted"}', signature, KEY.public_key())
