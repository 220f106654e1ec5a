"""A shop that begins with nothing reads the hub's ready file first: what is stopped, then the facts, then the live feed.

Owns the folder `ready-file` beside the database: the manifest, and the file as far as it has come. Must never write a
fact before the whole file was checked, or keep a shop from the feed: whatever is wrong with a file, it is thrown away.
Must never wait for the disk in the event loop, which serves the counter: every touch of a file is a thread's.
"""

from __future__ import annotations

import asyncio
import os
import shutil
import sqlite3
from collections.abc import AsyncIterator, Iterator
from contextlib import aclosing
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import structlog
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from pydantic import ValidationError

from branch.conversation import Conversation
from branch.link import Link
from eventlog import snapshot_client as hub_says
from eventlog.envelope import Forged, Malformed
from eventlog.hub_client import HubRefused, HubUnreachable
from eventlog.snapshot import (
    Manifest,
    SignedManifest,
    SnapshotRefused,
    check_bytes,
    pages,
    read_manifest,
    walk,
)
from eventlog.snapshot_client import Giving
from eventlog.wire import FeedPage
from sync.standpoint import Standpoint

log = structlog.get_logger("branch.sync")

FOLDER = "ready-file"
MOST_FILES = 3
"""So many files are begun before the feed is read page by page."""
MOST_FRUITLESS = 3
"""So many calls that bring nothing, one after the other: the feed may come through where a file does not."""
LEFT_FREE_BYTES = 256 * 1024 * 1024
"""The counter writes beside it, and so does the database that the file goes into."""
_PAGE_BY_PAGE = "The records are read page by page instead."


@dataclass
class ReadyFile:
    """One node's first reading. `page` gives it out; None means that the hub has to be asked for the next page itself."""

    data: Path
    hub_key: Ed25519PublicKey
    talk: Conversation
    link: Link
    items_a_page: int
    is_over: bool = False
    _manifest: Manifest | None = None
    _pages: Iterator[FeedPage] | None = None
    _begun: int = 0
    _fruitless: int = 0

    async def page(self, hub: Giving, here: Standpoint) -> FeedPage | None:
        """The next page of the file. Raises HubUnreachable while its bytes are on the way: what has come is kept."""
        if self.is_over:
            return None
        try:
            if self._pages is None:
                await self._prepare_or_count(hub, here)
            if self._pages is None:
                return None
            found = await asyncio.to_thread(next, self._pages, None)
        except (SnapshotRefused, Forged, Malformed) as wrong:
            await self.throw_away(str(wrong))
            return None
        except OSError as wrong:
            await self.throw_away(
                f"this node's disk cannot hold it ({wrong.strerror or type(wrong).__name__})"
            )
            return None
        if found is None:
            await self._end("")
            return None
        # What this node heard from the hub itself is never older than what it reads in a file.
        at = max(found.hub_time, here.hub_time or found.hub_time)
        return found.model_copy(update={"hub_time": at})

    async def throw_away(self, reason: str) -> None:
        """Something is wrong with the file: what was read of it stays, and the rest comes from the feed."""
        if self.is_over:
            return  # It was thrown away while it was being read.
        log.warning("ready file thrown away", reason=reason)
        await self._end(f"The network's ready file was thrown away: {reason}. {_PAGE_BY_PAGE}")

    def look_again(self) -> None:
        """The node stands elsewhere than the last page led: go on from where it stands."""
        self._pages = None

    async def hear_epoch(self, epoch: str) -> None:
        """The hub speaks of this epoch: a file of another one is of no use any more."""
        if self._manifest is not None and not self.is_over and self._manifest.epoch != epoch:
            await self.throw_away("the network began a new epoch")

    async def _prepare_or_count(self, hub: Giving, here: Standpoint) -> None:
        """Where no file comes through, call after call, the feed may."""
        had = await asyncio.to_thread(self._has)
        try:
            await self._prepare(hub, here)
        except (HubUnreachable, HubRefused):
            has = await asyncio.to_thread(self._has)
            self._fruitless = 0 if has > had else self._fruitless + 1
            if self._fruitless >= MOST_FRUITLESS:
                raise SnapshotRefused("nothing of it came through") from None
            raise

    async def _prepare(self, hub: Giving, here: Standpoint) -> None:
        """Come to a whole and checked file, or to the end of it."""
        manifest = await self._manifest_for(hub, here)
        if manifest is None:
            return
        self._manifest = manifest
        if await asyncio.to_thread(self.talk.list_of) != manifest.sha256 and not here.feed.position:
            await self._take_list(hub, manifest)
        if self.is_over or not await self._fetch(hub, manifest):
            return
        await asyncio.to_thread(check_bytes, self._facts, manifest)
        ends = await asyncio.to_thread(walk, self._facts, manifest, here.feed, self.items_a_page)
        log.info("ready file checked", position=manifest.position, bytes=manifest.bytes)
        self.link.ready_file = f"Reading the network's ready file, up to position {manifest.position}."
        self._pages = pages(self._facts, manifest, here.feed, ends, self.items_a_page)

    async def _manifest_for(self, hub: Giving, here: Standpoint) -> Manifest | None:
        """The manifest of the file that was begun, or of the newest; None when the feed has to be read."""
        kept = await asyncio.to_thread(self._kept_manifest)
        if kept is not None:
            manifest = read_manifest(kept, self.hub_key)
            if await self._is_of_this_epoch(hub, manifest) and here.feed.position < manifest.position:
                return manifest
            await self._end(
                "" if here.feed.position >= manifest.position else "The ready file was of an older epoch."
            )
            return None
        if here.feed.position or self._begun >= MOST_FILES:
            await self._end(self.link.ready_file)
            return None
        try:
            found = await hub_says.latest(hub)
        except (HubUnreachable, HubRefused):
            return None  # If the hub does not answer at all, the feed says so.
        if found is None:
            await self._end("")
            return None
        manifest = read_manifest(found, self.hub_key)
        self._begun += 1
        await asyncio.to_thread(self._begin, found)
        return manifest

    async def _is_of_this_epoch(self, hub: Giving, manifest: Manifest) -> bool:
        """Whether the hub still goes on from this file. Raises HubUnreachable, HubRefused."""
        newest = await hub_says.latest(hub)
        return newest is not None and read_manifest(newest, self.hub_key).epoch == manifest.epoch

    async def _take_list(self, hub: Giving, manifest: Manifest) -> None:
        """What is stopped comes first: a small answer, and from then on a stop at the counter."""
        try:
            said = await hub_says.blocked(hub, manifest.sha256)
        except HubRefused:
            await asyncio.to_thread(self._drop_files)  # A newer one took its place.
            self.look_again()
            raise HubUnreachable("the ready file is gone; the newest is asked for") from None
        if (said.sha256, said.epoch, said.position) != (manifest.sha256, manifest.epoch, manifest.position):
            raise SnapshotRefused("its list of what is stopped belongs to another file")
        try:
            await asyncio.to_thread(self.talk.take_list, said)
        except (ValueError, sqlite3.Error):
            # Tried again, the same list would fail again, and the feed would never be read.
            raise SnapshotRefused("its list of what is stopped cannot be read") from None
        log.info("known against", cylinders=len(said.cylinders), position=said.position)

    async def _fetch(self, hub: Giving, manifest: Manifest) -> bool:
        """Bring the file to its whole length, from where it stands. False: it is gone at the hub."""
        had = await asyncio.to_thread(self._has)
        if had >= manifest.bytes:
            return True
        free = (await asyncio.to_thread(shutil.disk_usage, self._folder)).free
        if free < manifest.bytes - had + LEFT_FREE_BYTES:
            raise SnapshotRefused(
                f"this node's disk is too full for it ({manifest.bytes - had} bytes are to come)"
            )
        try:
            file = await asyncio.to_thread(self._facts.open, "ab")
            try:
                async with aclosing(hub_says.pieces(hub, manifest.sha256, after=had)) as coming:
                    await self._write(file, coming, manifest, had)
                await asyncio.to_thread(_to_the_disk, file)
            finally:
                await asyncio.to_thread(file.close)
        except HubRefused:
            await asyncio.to_thread(self._drop_files)
            self.look_again()
            return False
        return not self.is_over

    async def _write(
        self, file: BinaryIO, coming: AsyncIterator[bytes], manifest: Manifest, has: int
    ) -> None:
        async for piece in coming:
            if self.is_over:  # The hub began a new epoch meanwhile.
                return
            has += len(piece)
            if has > manifest.bytes:
                raise SnapshotRefused("more came than the hub signed")
            await asyncio.to_thread(file.write, piece)
            if not self.is_over:  # Why it was thrown away meanwhile has to stay readable.
                self.link.ready_file = f"Fetching the network's ready file: {has} of {manifest.bytes} bytes."

    @property
    def _folder(self) -> Path:
        return self.data / FOLDER

    @property
    def _facts(self) -> Path:
        return self._folder / "facts.jsonl.gz"

    def _has(self) -> int:
        return self._facts.stat().st_size if self._facts.exists() else 0

    def _kept_manifest(self) -> SignedManifest | None:
        path = self._folder / "manifest.json"
        if not path.exists():
            return None
        try:
            return SignedManifest.model_validate_json(path.read_bytes())
        except ValidationError:
            raise SnapshotRefused("its manifest is damaged") from None

    def _begin(self, signed: SignedManifest) -> None:
        """A new file is on the way: what is left of another one goes first."""
        self._drop_files()
        self._folder.mkdir(mode=0o700)
        partial = self._folder / "manifest.partial"
        partial.write_bytes(signed.model_dump_json().encode())
        partial.rename(self._folder / "manifest.json")

    def _drop_files(self) -> None:
        if self._folder.exists():
            shutil.rmtree(self._folder, ignore_errors=True)

    async def _end(self, words: str) -> None:
        self.is_over = True
        self._pages = None
        self.link.ready_file = words
        await asyncio.to_thread(self._drop_files)


def _to_the_disk(file: BinaryIO) -> None:
    file.flush()
    os.fsync(file.fileno())
