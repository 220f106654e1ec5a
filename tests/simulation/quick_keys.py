"""Keys with the shape of Ed25519 and none of its cost: a signature is a keyed hash that anybody could make.

Good enough here, where nobody forges; the real keys have their own tests.
"""

from __future__ import annotations

import hashlib
from typing import TypeAlias

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    KeySerializationEncryption,
    PrivateFormat,
    PublicFormat,
)

Buffer: TypeAlias = bytes | bytearray | memoryview


class QuickPublicKey(Ed25519PublicKey):
    """Verifies by making the signature again."""

    def __init__(self, raw: bytes) -> None:
        self.raw = raw

    def public_bytes(self, encoding: Encoding, format: PublicFormat) -> bytes:
        return self.raw

    def public_bytes_raw(self) -> bytes:
        return self.raw

    def verify(self, signature: Buffer, data: Buffer) -> None:
        if signature != hashlib.blake2b(data, key=self.raw).digest():
            raise InvalidSignature

    def __eq__(self, other: object) -> bool:
        return isinstance(other, QuickPublicKey) and other.raw == self.raw

    def __hash__(self) -> int:
        return hash(self.raw)

    def __copy__(self) -> QuickPublicKey:
        return self

    def __deepcopy__(self, memo: dict[int, object]) -> QuickPublicKey:
        return self


class QuickKey(Ed25519PrivateKey):
    """Signs with a keyed hash. `name` makes the key: the same name, the same key."""

    def __init__(self, name: str) -> None:
        self._public = QuickPublicKey(hashlib.sha256(name.encode()).digest())

    def public_key(self) -> QuickPublicKey:
        return self._public

    def sign(self, data: Buffer) -> bytes:
        return hashlib.blake2b(data, key=self._public.raw).digest()

    def private_bytes(
        self,
        encoding: Encoding,
        format: PrivateFormat,
        encryption_algorithm: KeySerializationEncryption,
    ) -> bytes:
        raise NotImplementedError("this key is never written down")

    def private_bytes_raw(self) -> bytes:
        raise NotImplementedError("this key is never written down")

    def __copy__(self) -> QuickKey:
        return self

    def __deepcopy__(self, memo: dict[int, object]) -> QuickKey:
        return self
