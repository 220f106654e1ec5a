"""Photographs of shoulders: files of this shop alone. A fact carries the hash of one and no more.

Never published, never sent to the hub. What is taken in is checked by its first bytes, not by what it is called.
"""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path

from cylinder.refusal import Reason, Refused

LARGEST_BYTES = 6 * 1024 * 1024
FOLDER = "photos"
_HASH = re.compile(r"[0-9a-f]{64}")


def kind_of(content: bytes) -> str | None:
    """The media type that the first bytes say, or None for anything but a JPEG, a PNG or a WebP."""
    if content.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return "image/webp"
    return None


def keep_photo(data: Path, content: bytes) -> tuple[str, bool]:
    """Keep it under its hash, on the disk before this returns; gives the hash, and whether it is new. Raises Refused."""
    reasons = []
    if not content:
        reasons.append(Reason("photo.none", "Take a photograph of the shoulder.", "input"))
    elif kind_of(content) is None:
        reasons.append(
            Reason("photo.kind", "That file is no photograph: a JPEG, PNG or WebP is taken.", "input")
        )
    if len(content) > LARGEST_BYTES:
        words = f"The photograph is larger than {LARGEST_BYTES // 1024 // 1024} MB. Take a smaller one."
        reasons.append(Reason("photo.large", words, "input"))
    if reasons:
        raise Refused(reasons)
    name = hashlib.sha256(content).hexdigest()
    folder = data / FOLDER
    folder.mkdir(mode=0o700, exist_ok=True)
    path = folder / name
    if path.exists():
        return name, False
    beside = folder / f"{name}.part"
    with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
    return name, True


def drop_photo(data: Path, sha256: str) -> None:
    """Forget one that no fact speaks of."""
    if _HASH.fullmatch(sha256) is not None:
        (data / FOLDER / sha256).unlink(missing_ok=True)


def photo(data: Path, sha256: str) -> bytes | None:
    """The photograph with this hash, or None where this shop has none, or another one under its name."""
    if _HASH.fullmatch(sha256) is None:
        return None
    try:
        content = (data / FOLDER / sha256).read_bytes()
    except FileNotFoundError:
        return None
    return content if hashlib.sha256(content).hexdigest() == sha256 else None
