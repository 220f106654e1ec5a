"""The marker: how far this node had come, kept outside its database and outside its backups.

A database that is behind its marker came from a backup, and has forgotten what it knew. The marker may lag behind the
database by the last commits before a crash, never run ahead of it: it is written after them, and nobody waits for it.
"""

from __future__ import annotations

import hashlib
import hmac
import os
from dataclasses import dataclass
from pathlib import Path
from threading import Condition, Thread
from typing import Annotated
from uuid import UUID

import structlog
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from sync.standpoint import Standpoint

log = structlog.get_logger("branch.marker")

GROUP_S = 0.05
"""Commits within this time share one marker."""
FOLDER = "not-in-backups"
_KEY_CONTEXT = b"filltrail/marker/1"
_TAG = (
    # Cache Directory Tagging Specification: the file CACHEDIR.TAG begins with this line. The sum is the MD5 of
    # ".IsCacheDirectory"; tests compute it again.
    "Signature: 8a477f597d28d172789f06886806bc55\n"
    "# This folder must not go into backups: it shows whether the database beside it came from one.\n"
    "# Restoring it together with the database would hide that.\n"
)


class Mark(BaseModel):
    """How far the own log and the copy of the feed had come."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    inc: UUID
    seq: Annotated[int, Field(ge=0)]
    epoch: str
    position: Annotated[int, Field(ge=0)]

    @classmethod
    def of(cls, here: Standpoint) -> Mark:
        """The mark of a standpoint."""
        return cls(inc=here.inc, seq=here.seq, epoch=here.feed.epoch, position=here.feed.position)


class _Signed(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    mark: Mark
    mac: str


def is_behind(here: Standpoint, mark: Mark) -> bool:
    """Whether a database has less than its marker says that it had."""
    if here.inc != mark.inc:
        # The marker may lag by the commit that began an incarnation, never by more than one incarnation.
        return here.parent != mark.inc
    return here.seq < mark.seq or (here.feed.epoch == mark.epoch and here.feed.position < mark.position)


@dataclass(frozen=True, slots=True)
class MarkerFile:
    """The file itself. Its MAC is keyed from the node's key, so that a mark of another node, or half of one, is none."""

    folder: Path
    key: Ed25519PrivateKey

    @property
    def path(self) -> Path:
        """Where it lies."""
        return self.folder / "marker"

    def read(self) -> Mark | None:
        """The mark; None when there is none, or it is not whole, or was not written with this node's key."""
        try:
            found = _Signed.model_validate_json(self.path.read_bytes())
        except (OSError, ValidationError):
            return None
        return found.mark if hmac.compare_digest(found.mac, self._mac(found.mark)) else None

    def write(self, mark: Mark) -> None:
        """Replace the mark, whole or not at all. It is on the disk when this returns."""
        self._make_folder()
        signed = _Signed(mark=mark, mac=self._mac(mark)).model_dump_json().encode()
        beside = self.folder / "marker.new"
        handle = os.open(beside, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o600)
        try:
            os.write(handle, signed)
            os.fsync(handle)
        finally:
            os.close(handle)
        beside.replace(self.path)

    def _make_folder(self) -> None:
        tag = self.folder / "CACHEDIR.TAG"
        if not tag.exists():
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            tag.write_text(_TAG)

    def _mac(self, mark: Mark) -> str:
        key = hashlib.sha256(_KEY_CONTEXT + self.key.private_bytes_raw()).digest()
        return hmac.new(key, mark.model_dump_json().encode(), hashlib.sha256).hexdigest()


class MarkerKeeper:
    """Writes the mark after commits, in a thread of its own: no command waits for it."""

    def __init__(self, file: MarkerFile) -> None:
        self._file = file
        self._changed = Condition()
        self._turn = 0
        self._due: Mark | None = None
        self._written: Mark | None = None
        self._is_closed = False
        self._thread = Thread(target=self._run, name="marker", daemon=True)
        self._thread.start()

    def note(self, turn: int, here: Standpoint) -> None:
        """A commit has moved the node; `turn` counts commits, since threads may report them out of order."""
        mark = Mark.of(here)
        with self._changed:
            if turn > self._turn:
                self._turn, self._due = turn, mark
                self._changed.notify()

    def close(self) -> None:
        """Write what is due, and end."""
        with self._changed:
            self._is_closed = True
            self._changed.notify()
        self._thread.join(timeout=10)

    def _run(self) -> None:
        while (due := self._next()) is not None:
            if due == self._written:
                continue
            try:
                self._file.write(due)
                self._written = due
            except OSError as wrong:
                # It lags, and the next one says the same. The counter goes on.
                log.error("marker not written", error=type(wrong).__name__)

    def _next(self) -> Mark | None:
        """The next mark to write, when its group is over; None at the end."""
        with self._changed:
            self._changed.wait_for(lambda: self._due is not None or self._is_closed)
            self._changed.wait_for(lambda: self._is_closed, timeout=GROUP_S)
            due, self._due = self._due, None
            return due
