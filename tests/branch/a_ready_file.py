"""A hub in this process that gives out a ready file as the real one does, and can be told to give it out badly."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, field

import httpx
from tests.branch.a_hub import AHub

from cylinder.gather import Filed
from cylinder.recorded import origin_of, recorded
from eventlog.answer import sign_answer
from eventlog.keys import key_id
from eventlog.snapshot import (
    BlockedCylinder,
    BlockedList,
    ClaimedMarks,
    HeldAgainst,
    Manifest,
    SignedManifest,
    sign_manifest,
)
from eventlog.wire import SIGNED_HEADER, FeedItem
from sync.opening import link_of


@dataclass
class Torn(httpx.SyncByteStream, httpx.AsyncByteStream):
    """Some bytes, and then the line breaks."""

    some: bytes

    def __iter__(self) -> Iterator[bytes]:
        yield self.some

    async def __aiter__(self):  # type: ignore[no-untyped-def]
        yield self.some
        raise httpx.ReadError("the line broke")


@dataclass
class PackingHub(AHub):
    """`pack` makes the file of what stands in the feed. `breaks_after`: an answer ends after so many bytes.
    `says_no`: with this status, to whoever asks for the newest."""

    lines: list[bytes] = field(default_factory=list)
    packed: bytes = b""
    manifest: Manifest | None = None
    signed: SignedManifest | None = None
    blocked: BlockedList | None = None
    breaks_after: int = 0
    says_no: int = 0
    ranges: list[str] = field(default_factory=list)

    def pack(self, upto: int | None = None) -> Manifest:
        """What the hub's command does."""
        rows = self.log.sealed_after(0, len(self.state.feed) if upto is None else upto)
        self.lines = [
            FeedItem(
                position=position, received_at=at, raw=sealed.raw.decode(),
                signature=base64.b64encode(sealed.signature).decode(),
            ).model_dump_json().encode()
            for position, at, sealed, _ in rows
        ]  # fmt: skip
        self.blocked = BlockedList(
            sha256="0" * 64, epoch=self.state.epoch, position=rows[-1][0], cylinders=tuple(self._stopped())
        )
        return self.sign(position=rows[-1][0], feed_hash=rows[-1][3])

    def sign(self, *, position: int, feed_hash: str) -> Manifest:
        """Sign whatever the lines are now: the digest is right, the content may not be."""
        whole = b"".join(line + b"\n" for line in self.lines)
        self.packed = gzip.compress(whole, mtime=0)
        self.manifest = Manifest(
            epoch=self.state.epoch, position=position, feed_hash=feed_hash, bytes=len(self.packed),
            unpacked_bytes=len(whole), sha256=hashlib.sha256(self.packed).hexdigest(), made_at=self.clock.now(),
            key_id=key_id(self.key.public_key()),
        )  # fmt: skip
        self.signed = sign_manifest(self.manifest, self.key)
        assert self.blocked is not None
        self.blocked = self.blocked.model_copy(update={"sha256": self.manifest.sha256, "position": position})
        return self.manifest

    def exchange(self, at: int, other: int) -> None:
        """Two lines of the file change places, under a digest that is right again."""
        assert self.manifest is not None
        self.lines[at], self.lines[other] = (
            self._at(self.lines[other], at + 1),
            self._at(self.lines[at], other + 1),
        )
        self.sign(position=self.manifest.position, feed_hash=self.manifest.feed_hash)

    def _at(self, line: bytes, position: int) -> bytes:
        return json.dumps(json.loads(line) | {"position": position}).encode()

    def _stopped(self) -> Iterator[BlockedCylinder]:
        filed = Filed()
        for line in self.lines:
            link = link_of(FeedItem.model_validate_json(line).sealed())
            filed.put(recorded(link.envelope.event, origin_of(link.envelope.place)))
        for known in map(filed.standing, filed.cylinders()):
            if not known.is_clear:
                yield BlockedCylinder(
                    cylinder_id=known.cylinder_id,
                    marks=tuple(ClaimedMarks.model_validate(one.model_dump()) for one in known.marks),
                    held=tuple(
                        HeldAgainst(
                            position=self.state.position_of[block.id],
                            **block.model_dump(include=set(HeldAgainst.model_fields) - {"position"}),
                        )
                        for block in known.blocks
                    ),
                )

    def _answer(self, request: httpx.Request, path: str) -> httpx.Response:
        if not path.startswith("/v1/snapshots/"):
            return super()._answer(request, path)
        if self.manifest is None or self.blocked is None or self.signed is None:
            return self._signed({"title": "There is no ready file", "detail": ""}, 404)
        if path.endswith("/latest"):
            if self.says_no:
                return self._signed({"title": "Not now", "detail": ""}, self.says_no)
            return self._signed(self.signed)
        if path.split("/")[3] != self.manifest.sha256:
            return self._signed({"title": "It is not kept any more", "detail": ""}, 404)
        if path.endswith("/blocked"):
            body = self.blocked.model_dump_json().encode()
            return httpx.Response(200, content=body, headers={SIGNED_HEADER: sign_answer(body, self.key)})
        return self._bytes(request.headers.get("range", ""))

    def _bytes(self, asked: str) -> httpx.Response:
        self.ranges.append(asked)
        after = int(asked.removeprefix("bytes=").removesuffix("-") or 0)
        some, status = self.packed[after:], 206 if asked else 200
        headers = (
            {"content-range": f"bytes {after}-{len(self.packed) - 1}/{len(self.packed)}"} if asked else {}
        )
        if self.breaks_after:
            return httpx.Response(status, stream=Torn(some[: self.breaks_after]), headers=headers)
        return httpx.Response(status, content=some, headers=headers)
