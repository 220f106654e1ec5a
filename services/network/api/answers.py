"""Signed answers."""

from __future__ import annotations

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from fastapi import Response
from pydantic import BaseModel

from eventlog.answer import sign_answer
from eventlog.wire import SIGNED_HEADER


def signed(document: BaseModel, key: Ed25519PrivateKey, *, cache: str = "no-store") -> Response:
    """A 200 with this document and the hub's signature over its bytes."""
    body = document.model_dump_json().encode()
    headers = {SIGNED_HEADER: sign_answer(body, key), "cache-control": cache}
    return Response(body, media_type="application/json", headers=headers)
