"""What the hub keeps beside its database and outside every backup: how far it has come, and the word that it fell back.

A database put back from a backup cannot know what it has forgotten; this file can. Owns `<data>/not-in-backups`.
Must never hold anything that could not be lost: without it the hub only notices a rollback later, by what nodes show it.
"""

from __future__ import annotations

import base64
import binascii
import os
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pydantic import BaseModel, ConfigDict, ValidationError

from eventlog.event import Hash
from network.store.database import Tx
from network.store.log import PostgresHubLog, ReadingHubLog
from network.store.nodes import HUB
from network.store.recorder import EnvelopeRecorder

FOLDER = "not-in-backups"
MARK_CONTEXT = b"filltrail/mark/1"
# Cache Directory Tagging Specification (bford.info/cachedir): the file's name, and what it must begin with, which is
# the MD5 of ".IsCacheDirectory". Programs that honour it leave the folder out of what they save.
TAG_NAME = "CACHEDIR.TAG"
TAG = (
    "Signature: 8a477f597d28d172789f06886806bc55\n"
    "# How far this hub had come. It must not be put back together with the database: then it could not show\n"
    "# that the database is an older one.\n"
)

known_epoch = "select begins_after from epoch where epoch = %s"
own_head = "select seq from log_head where inc = %s and node = %s"


class Mark(BaseModel):
    """How far the feed and the hub's own log had come when this was written."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    epoch: str
    position: int
    feed_hash: Hash
    own_inc: UUID
    own_seq: int


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    mark: str
    signature: str


class MarkIsBroken(Exception):
    """The file is there and cannot be believed."""


@dataclass(frozen=True, slots=True)
class Beside:
    """The folder of one hub, and the key that it signs the mark with."""

    folder: Path
    key: Ed25519PrivateKey

    def mark(self) -> Mark | None:
        """The last mark. Raises MarkIsBroken."""
        try:
            text = (self.folder / "high-water.json").read_text()
        except FileNotFoundError:
            return None
        try:
            kept = _Kept.model_validate_json(text)
            signature = base64.b64decode(kept.signature, validate=True)
            self.key.public_key().verify(signature, MARK_CONTEXT + kept.mark.encode())
            return Mark.model_validate_json(kept.mark)
        except (ValidationError, InvalidSignature, binascii.Error):
            raise MarkIsBroken(f"{self.folder / 'high-water.json'} was not written by this hub") from None

    def keep(self, mark: Mark) -> None:
        """Put a mark on the disk in place of the one before."""
        text = mark.model_dump_json()
        signature = base64.b64encode(self.key.sign(MARK_CONTEXT + text.encode())).decode()
        self._write("high-water.json", _Kept(mark=text, signature=signature).model_dump_json())

    def fell_back(self) -> str | None:
        """Why the hub may serve nothing; None when it may."""
        try:
            return (self.folder / "rolled-back").read_text().strip() or "rolled back"
        except FileNotFoundError:
            return None

    def note_fall(self, why: str) -> None:
        """From here on nothing is served, across restarts, until the operator gives the feed a new epoch."""
        if self.fell_back() is None:
            self._write("rolled-back", why + "\n")

    def clear_fall(self) -> None:
        """The operator has acted."""
        (self.folder / "rolled-back").unlink(missing_ok=True)

    def _write(self, name: str, text: str) -> None:
        """The whole file or none of it, on the disk before this returns."""
        if not self.folder.exists():
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            (self.folder / TAG_NAME).write_text(TAG)
        partial = self.folder / f"{name}.partial"
        with partial.open("w") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        partial.replace(self.folder / name)
        handle = os.open(self.folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def beside(data: Path, key: Ed25519PrivateKey) -> Beside:
    """What lies beside the database of the hub with this data folder."""
    return Beside(data / FOLDER, key)


def mark_of(tx: Tx, recorder: EnvelopeRecorder, own_inc: UUID) -> Mark:
    """How far everything has come that is committed."""
    end = ReadingHubLog(tx, recorder).feed_end()
    return Mark(
        epoch=end.epoch,
        position=end.position,
        feed_hash=end.feed_hash,
        own_inc=own_inc,
        own_seq=_own_seq(tx, own_inc),
    )


def fallen_behind(tx: Tx, recorder: EnvelopeRecorder, mark: Mark) -> str | None:
    """In words, how the database falls short of a mark that this hub once wrote; None when it does not."""
    shared: PostgresHubLog = ReadingHubLog(tx, recorder)
    end = shared.feed_end()
    if tx.execute(known_epoch, (mark.epoch,)).fetchone() is None:
        return f"the feed had been named epoch {mark.epoch}, and this database does not know that name"
    if mark.epoch != end.epoch:
        return None  # The operator has begun another epoch since.
    if mark.position > end.position:
        return f"the feed had come to position {mark.position}, and this database ends at {end.position}"
    if shared.feed_hash_at(mark.position) != mark.feed_hash:
        return f"up to position {mark.position} this database holds another feed than was served"
    own_seq = _own_seq(tx, mark.own_inc)
    if mark.own_seq > own_seq:
        return f"the hub's own log had come to {mark.own_seq}, and in this database it ends at {own_seq}"
    return None


def _own_seq(tx: Tx, own_inc: UUID) -> int:
    row = tx.execute(own_head, (own_inc, HUB)).fetchone()
    return 0 if row is None else int(row["seq"])
