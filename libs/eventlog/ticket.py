"""Request tickets: a node proves with each request that it holds its key, for at most a minute.

A ticket is a JSON Web Token (RFC 7519) signed with Ed25519 (`EdDSA`, RFC 8037), of one algorithm, one audience
and a short life. Must never read a clock or a key store: both are arguments.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import jwt
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from eventlog.keys import key_id

AUDIENCE = "filltrail-hub"
LONGEST_LIFE_S = 60
CLOCK_SLACK_S = 30  # Two honest clocks differ; a client further off learns the hub's time from the refusal.
_ALGORITHM = "EdDSA"
_LONGEST_TOKEN = 2048


class TicketRefused(Exception):
    """The ticket proves nothing; `is_out_of_time` when only its time is wrong."""

    def __init__(self, reason: str, *, is_out_of_time: bool = False) -> None:
        super().__init__(reason)
        self.reason = reason
        self.is_out_of_time = is_out_of_time


def issue(node: str, key: Ed25519PrivateKey, now: dt.datetime) -> str:
    """A ticket of `node`, good for a minute from `now`."""
    issued = int(now.timestamp())
    claims = {"sub": node, "aud": AUDIENCE, "iat": issued, "exp": issued + LONGEST_LIFE_S}
    return jwt.encode(claims, key, algorithm=_ALGORITHM, headers={"kid": key_id(key.public_key())})


def check(token: str, key_of_node: Callable[[str], Ed25519PublicKey | None], now: dt.datetime) -> str:
    """The node that a ticket speaks for. Raises TicketRefused with the reason."""
    node, kid = _claimed(token)
    key = key_of_node(node)
    if key is None or kid != key_id(key):
        raise TicketRefused("no enrolled node holds this key")
    try:
        claims = jwt.decode(
            token,
            key,
            algorithms=[_ALGORITHM],
            audience=AUDIENCE,
            options={
                "require": ["sub", "aud", "iat", "exp"],
                # Time is judged below, by the clock that was handed in.
                "verify_exp": False,
                "verify_iat": False,
                "verify_nbf": False,
            },
        )
    except jwt.PyJWTError as wrong:
        raise TicketRefused(f"the ticket does not hold: {type(wrong).__name__}") from None
    _check_time(claims.get("iat"), claims.get("exp"), int(now.timestamp()))
    return node


def _claimed(token: str) -> tuple[str, str]:
    """Node and key id as the unverified ticket gives them: only good for choosing the key to verify with."""
    if len(token) > _LONGEST_TOKEN:
        raise TicketRefused("the ticket is too long")
    try:
        header = jwt.get_unverified_header(token)
        claims = jwt.decode(token, options={"verify_signature": False})
    except (jwt.PyJWTError, ValueError, RecursionError):
        raise TicketRefused("this is not a ticket") from None
    node, kid = claims.get("sub"), header.get("kid")
    if header.get("alg") != _ALGORITHM or not isinstance(node, str) or not isinstance(kid, str):
        raise TicketRefused("the ticket names no node, no key or another algorithm")
    return node, kid


def _check_time(issued: object, expires: object, now_s: int) -> None:
    if not isinstance(issued, int) or not isinstance(expires, int) or expires - issued > LONGEST_LIFE_S:
        raise TicketRefused(f"a ticket lives at most {LONGEST_LIFE_S} s")
    if not issued - CLOCK_SLACK_S <= now_s < expires + CLOCK_SLACK_S:
        raise TicketRefused("the ticket is not of this minute", is_out_of_time=True)
