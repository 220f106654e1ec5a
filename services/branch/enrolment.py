"""The files of an enrolment, so that a crash at any moment costs at most one code, and never a key that the hub knows.

The new key is on the disk before the code is spent; settings and key take their places together once the hub has
answered. An older key is put by, never deleted: what it signed stays in the log.
"""

from __future__ import annotations

import os
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from branch.settings import ShopSettings
from eventlog.keys import key_id, private_key, private_pem

KEY = "node.key"
SETTINGS = "shop.json"
_ASKED = "node.key.asked"
_READY = "shop.json.ready"


def key_to_ask_with(data: Path, made: Ed25519PrivateKey) -> Ed25519PrivateKey:
    """The key for this enrolment: the one of an earlier try that was never answered, or the one that was made now."""
    if (data / _ASKED).exists():
        return private_key((data / _ASKED).read_bytes())
    _write(data, _ASKED, private_pem(made))
    return made


def forget_key(data: Path) -> None:
    """The hub refused: the next try makes another key."""
    (data / _ASKED).unlink(missing_ok=True)


def settle(data: Path, settings: ShopSettings) -> None:
    """The hub has answered: from here on the shop is enrolled, whatever happens to this process."""
    _write(data, _READY, settings.model_dump_json(indent=2).encode())
    finish(data)


def finish(data: Path) -> None:
    """Bring an enrolment that the hub has answered to its end. Does nothing when there is none."""
    if not (data / _READY).exists():
        return
    if (data / _ASKED).exists():
        if (data / KEY).exists():
            before = private_key((data / KEY).read_bytes())
            (data / KEY).replace(data / f"{KEY}.before-{key_id(before.public_key())}")
        (data / _ASKED).replace(data / KEY)
    (data / _READY).replace(data / SETTINGS)
    _sync_folder(data)


def write_key(data: Path, key: Ed25519PrivateKey) -> None:
    """Keep a node's key where only its owner reads it."""
    _write(data, KEY, private_pem(key))


def _write(data: Path, name: str, content: bytes) -> None:
    """The whole file or none, on the disk when this returns: without that, facts that are kept could never be sent."""
    beside = data / f"{name}.part"
    handle = os.open(beside, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(data / name)
    _sync_folder(data)


def _sync_folder(data: Path) -> None:
    handle = os.open(data, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
