"""Reads a request's body up to a limit, whatever its headers promise."""

from __future__ import annotations

import asyncio

from fastapi import Request

from network.api.problems import Problem

READ_WITHIN_S = 20.0
# A sender that is refused half-way may not listen before it has sent everything: that much is read and dropped.
DROP_AT_MOST_BYTES = 16 * 1024 * 1024


async def capped_body(request: Request, most_bytes: int) -> bytes:
    """The body, plain JSON of at most `most_bytes`. Refuses with 408, 413, 415."""
    encoding = request.headers.get("content-encoding", "identity")
    if encoding.lower() != "identity":
        raise Problem(415, "encoding", "Compressed bodies are not taken", "Send it as it is.")
    media_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if media_type != "application/json":
        raise Problem(415, "media-type", "The body must be application/json")
    return await read_capped(request, most_bytes)


async def read_capped(request: Request, most_bytes: int) -> bytes:
    """The body, whatever it holds, of at most `most_bytes`. Refuses with 408, 413."""
    try:
        async with asyncio.timeout(READ_WITHIN_S):
            return await _read(request, most_bytes)
    except TimeoutError:
        raise Problem(408, "slow", "The body did not arrive in time") from None


async def _read(request: Request, most_bytes: int) -> bytes:
    body = bytearray()
    dropped = 0
    async for piece in request.stream():
        if dropped or len(body) + len(piece) > most_bytes:
            dropped += len(piece)
            if dropped > DROP_AT_MOST_BYTES:
                break
        else:
            body += piece
    if dropped:
        raise Problem(413, "too-large", "The body is too large", f"At most {most_bytes} bytes are taken.")
    return bytes(body)
