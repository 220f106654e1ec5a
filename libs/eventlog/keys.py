"""Ed25519 keys of a node: their text forms and their short name."""

from __future__ import annotations

import base64
import hashlib

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
)  # fmt: skip


def public_text(key: Ed25519PublicKey) -> str:
    """The 32 raw bytes of a public key as base64."""
    return base64.b64encode(key.public_bytes(Encoding.Raw, PublicFormat.Raw)).decode()


def public_key(text: str) -> Ed25519PublicKey:
    """The key that `public_text` wrote. Raises ValueError when it is none."""
    return Ed25519PublicKey.from_public_bytes(base64.b64decode(text, validate=True))


def private_pem(key: Ed25519PrivateKey) -> bytes:
    """The private key as PKCS 8 PEM, unencrypted: keep the file readable by its owner alone."""
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def private_key(pem: bytes) -> Ed25519PrivateKey:
    """The key that `private_pem` wrote. Raises ValueError when it is another kind of key."""
    key = load_pem_private_key(pem, password=None)
    if not isinstance(key, Ed25519PrivateKey):
        raise ValueError("this file does not hold an Ed25519 key")
    return key


def key_id(key: Ed25519PublicKey) -> str:
    """The first 16 hex digits of the SHA-256 of the raw public key."""
    return hashlib.sha256(key.public_bytes(Encoding.Raw, PublicFormat.Raw)).hexdigest()[:16]
