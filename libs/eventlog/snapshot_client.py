"""How a node asks the hub for a ready file: what there is, what is stopped, and the bytes from where a cut left them.

Must never judge what comes back, and never hold more of the file in memory than one piece.
"""

from __future__ import annotations

from collections.abc import AsyncGenerator, Mapping
from typing import Protocol, TypeVar

from pydantic import BaseModel, ValidationError

from eventlog.hub_client import HubRefused, HubUnreachable
from eventlog.snapshot import BlockedList, SignedManifest

Document = TypeVar("Document", bound=BaseModel)


class Giving(Protocol):
    """The part of a `HubClient` that is used here."""

    async def ask(
        self, method: str, path: str, *, body: bytes | None = None, params: Mapping[str, str] | None = None
    ) -> bytes: ...

    def pieces(self, path: str, *, after: int) -> AsyncGenerator[bytes, None]: ...


async def latest(hub: Giving) -> SignedManifest | None:
    """The hub's word on its newest ready file; None when it has none. Raises HubUnreachable, HubRefused."""
    try:
        body = await hub.ask("GET", "/v1/snapshots/latest")
    except HubRefused as refused:
        if refused.status == 404:
            return None
        raise
    return _read(SignedManifest, body)


async def blocked(hub: Giving, sha256: str) -> BlockedList:
    """The cylinders that were stopped where the file ends. Raises HubUnreachable, HubRefused (404: it is gone)."""
    return _read(BlockedList, await hub.ask("GET", f"/v1/snapshots/{sha256}/blocked"))


def pieces(hub: Giving, sha256: str, *, after: int) -> AsyncGenerator[bytes, None]:
    """The bytes of the file after so many. Raises HubUnreachable, HubRefused (404: it is gone)."""
    return hub.pieces(f"/v1/snapshots/{sha256}", after=after)


def _read(document: type[Document], body: bytes) -> Document:
    try:
        return document.model_validate_json(body)
    except ValidationError as wrong:
        raise HubUnreachable(f"not a {document.__name__}: {wrong.error_count()} members are wrong") from None
