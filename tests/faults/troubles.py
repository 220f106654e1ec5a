"""What a line does to a request instead of passing it on. Each is a trouble for `a_line.Line`."""

from __future__ import annotations

import asyncio
import zlib
from functools import cache

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.faults.a_line import Asked, Line, Trouble

from eventlog.answer import sign_answer
from eventlog.wire import SIGNED_HEADER

MIB = 1024 * 1024
FLOOD_MIB = 256
LONGEST_HOLD_S = 60.0
PORTAL = b"<!doctype html><title>Welcome</title><p>Accept the terms of this network to go on.</p>"


async def reset(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """The connection is torn down; the hub never sees the request."""
    writer.transport.abort()


async def lost_answer(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """The hub does what it was asked to, and its answer never arrives."""
    if asked.what != "bell":
        await line.pass_on(asked)
    writer.transport.abort()


async def silent(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """Half-open: the request is taken, and nothing ever comes back."""
    await asyncio.sleep(LONGEST_HOLD_S)


async def truncated(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """Half of the body that was announced, and the end."""
    head, _, body = (await line.pass_on(asked)).partition(b"\r\n\r\n")
    writer.write(head + b"\r\n\r\n" + body[: len(body) // 2])
    await writer.drain()


async def portal(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """Somebody else answers, politely, that all is well."""
    writer.write(_head("text/html", len(PORTAL)) + PORTAL)
    await writer.drain()


async def twice(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """The request reaches the hub two times; the second answer comes back."""
    await line.pass_on(asked)
    writer.write(await line.pass_on(asked))
    await writer.drain()


async def another_key(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """The hub's own words, signed by somebody else."""
    head, _, body = (await line.pass_on(asked)).partition(b"\r\n\r\n")
    lines = [one for one in head.split(b"\r\n") if not one.lower().startswith(SIGNED_HEADER.encode())]
    signature = sign_answer(body, Ed25519PrivateKey.generate())
    lines.append(f"{SIGNED_HEADER}: {signature}".encode())
    writer.write(b"\r\n".join(lines) + b"\r\n\r\n" + body)
    await writer.drain()


async def one_changed_sign(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """The hub's signature, over words of which one sign was changed on the way."""
    head, _, body = (await line.pass_on(asked)).partition(b"\r\n\r\n")
    writer.write(head + b"\r\n\r\n" + body.replace(b":", b"-", 1))
    await writer.drain()


async def gzip_bomb(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """A quarter of a megabyte that unpacks to a thousand times as much."""
    body = _bomb()
    writer.write(_head("application/json", len(body), "content-encoding: gzip") + body)
    await writer.drain()


async def endless_body(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """A body that goes on and on."""
    await _flood(writer, "application/json")


async def endless_bell(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """A stream whose first line never ends."""
    await _flood(writer, "text/event-stream")


async def endless_heads(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """Headers, and no end of them."""
    writer.write(b"HTTP/1.1 200 OK\r\n")
    for _ in range(FLOOD_MIB * 16):
        writer.write(b"x-more: " + b"0" * (MIB // 16) + b"\r\n")
        await writer.drain()


async def dripping(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """A byte now and then: each comes soon enough, and the whole would take months."""
    writer.write(_head("application/json", FLOOD_MIB * MIB))
    for _ in range(600):
        writer.write(b"0")
        await writer.drain()
        await asyncio.sleep(0.1)


def too_thin(most_bytes: int) -> Trouble:
    """A request with more than this takes longer than anybody waits; smaller ones pass."""

    async def thin(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
        if len(asked.body) > most_bytes:
            writer.transport.abort()
            return
        writer.write(await line.pass_on(asked))
        await writer.drain()

    return thin


def delayed(by_s: float) -> Trouble:
    """Everything takes so much longer."""

    async def later(line: Line, asked: Asked, writer: asyncio.StreamWriter) -> None:
        await asyncio.sleep(by_s)
        writer.write(await line.pass_on(asked))
        await writer.drain()

    return later


async def _flood(writer: asyncio.StreamWriter, media_type: str) -> None:
    writer.write(_head(media_type, FLOOD_MIB * MIB))
    for _ in range(FLOOD_MIB * 16):
        writer.write(b"0" * (MIB // 16))
        await writer.drain()


@cache
def _bomb() -> bytes:
    packer = zlib.compressobj(wbits=31)  # 16 + 15: with the frame of gzip
    return b"".join(packer.compress(bytes(MIB)) for _ in range(FLOOD_MIB)) + packer.flush()


def _head(media_type: str, length: int, *others: str) -> bytes:
    lines = ("HTTP/1.1 200 OK", f"content-type: {media_type}", f"content-length: {length}", *others)
    return "\r\n".join(lines).encode() + b"\r\n\r\n"
