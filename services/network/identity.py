"""The hub's secrets in its data folder: its signing key, its log's incarnation, the vault's master key.

Made at the first start, readable by their owner alone. Must never be replaced by a new one while an old one is there.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from eventlog.keys import private_key, private_pem
from network.hub import Identity

INCARNATION = "hub.incarnation"
MASTER_KEY_BYTES = 32


class NoIdentity(Exception):
    """What lies there is no secret of a hub's."""


def identity_in(data: Path, draw: Callable[[int], bytes]) -> Identity:
    """The hub's secrets; what is missing is drawn and on the disk before this returns. Raises NoIdentity."""
    data.mkdir(parents=True, exist_ok=True, mode=0o700)
    pem = _kept(data / "hub.key", lambda: private_pem(Ed25519PrivateKey.generate()))
    inc = _kept(data / INCARNATION, lambda: str(new_incarnation(draw)).encode())
    master_key = _kept(data / "vault.key", lambda: draw(MASTER_KEY_BYTES))
    if len(master_key) != MASTER_KEY_BYTES:
        raise NoIdentity(f"{data / 'vault.key'} is not a key of {MASTER_KEY_BYTES} bytes")
    return Identity(key=private_key(pem), inc=UUID(inc.decode().strip()), master_key=master_key)


def new_incarnation(draw: Callable[[int], bytes]) -> UUID:
    """A name for a log of the hub's own that nobody has used."""
    return UUID(bytes=draw(16), version=4)


def keep_incarnation(data: Path, inc: UUID) -> None:
    """From here on the hub's own log is this one."""
    _put(data / INCARNATION, str(inc).encode())


def _kept(path: Path, make: Callable[[], bytes]) -> bytes:
    """What the file holds. A missing file is made and on disk before anything relies on it."""
    if not path.exists():
        _put(path, make())
    return path.read_bytes()


def _put(path: Path, content: bytes) -> None:
    """Write a file, whole and on the disk when this returns, for its owner alone."""
    partial = path.with_suffix(".partial")
    partial.unlink(missing_ok=True)
    with os.fdopen(os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    partial.rename(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
