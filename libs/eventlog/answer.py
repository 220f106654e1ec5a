"""The hub's signature over what it answers, so that nobody between hub and node can answer in its place.

A captive portal's 200 with a page of HTML, or a proxy's own error page, carries no such signature.
"""

from __future__ import annotations

import base64
import binascii

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from eventlog.envelope import Forged

ANSWER_CONTEXT = b"filltrail/answer/1"


def sign_answer(body: bytes, key: Ed25519PrivateKey) -> str:
    """The value of the `SIGNED_HEADER` header for this body."""
    return base64.b64encode(key.sign(ANSWER_CONTEXT + body)).decode()


def check_answer(body: bytes, signature: str | None, key: Ed25519PublicKey) -> None:
    """Raise Forged unless the holder of `key` answered exactly this body."""
    if signature is None:
        raise Forged("the answer carries no signature of the hub")
    try:
        key.verify(base64.b64decode(signature, validate=True), ANSWER_CONTEXT + body)
    except (InvalidSignature, binascii.Error, ValueError):
        raise Forged("the answer was not signed by the hub that this node enrolled with") from None
