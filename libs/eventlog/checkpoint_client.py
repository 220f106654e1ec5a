"""How a node asks the hub for checkpoints and proofs, and hands in its cosignature. Over a `HubClient`.

Must never judge what comes back: the signature of the answer was checked, not what it says.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol, TypeVar

from pydantic import BaseModel, ValidationError

from eventlog.checkpoint import (
    ConsistencyProof,
    Cosignature,
    Cosigned,
    Cosigning,
    InclusionProof,
    SignedCheckpoint,
    WitnessedCheckpoint,
    parse_checkpoint,
)
from eventlog.hub_client import HubRefused, HubUnreachable

Document = TypeVar("Document", bound=BaseModel)


class Asking(Protocol):
    """The part of a `HubClient` that is used here: one signed answer of status 200, or HubUnreachable, HubRefused."""

    async def ask(
        self, method: str, path: str, *, body: bytes | None = None, params: Mapping[str, str] | None = None
    ) -> bytes: ...


async def latest(hub: Asking, *, cosigned: int = 0) -> WitnessedCheckpoint | None:
    """The last checkpoint that so many nodes have cosigned; None when there is none yet."""
    try:
        body = await hub.ask("GET", "/v1/checkpoints/latest", params={"cosigned": str(cosigned)})
    except HubRefused as refused:
        if refused.status == 404:
            return None
        raise
    return _read(WitnessedCheckpoint, body)


async def consistency(hub: Asking, first: int, second: int) -> ConsistencyProof:
    """The hub's proof that the tree at `second` begins with the tree at `first`."""
    params = {"from": str(first), "to": str(second)}
    return _read(ConsistencyProof, await hub.ask("GET", "/v1/checkpoints/consistency", params=params))


async def inclusion(hub: Asking, position: int, size: int) -> InclusionProof:
    """The hub's proof that the fact at `position` stands in the tree of `size`."""
    params = {"position": str(position), "size": str(size)}
    return _read(InclusionProof, await hub.ask("GET", "/v1/checkpoints/inclusion", params=params))


async def cosign(hub: Asking, checkpoint: SignedCheckpoint, word: Cosignature) -> Cosigned:
    """Hand in a node's word. Raises HubRefused (404: the hub does not know its own checkpoint)."""
    said = parse_checkpoint(checkpoint)
    sent = Cosigning(
        epoch=said.epoch,
        position=said.position,
        root=said.root,
        key_id=word.key_id,
        signature=word.signature,
    )
    path = f"/v1/nodes/{word.node}/cosignatures"
    return _read(Cosigned, await hub.ask("POST", path, body=sent.model_dump_json().encode()))


def _read(document: type[Document], body: bytes) -> Document:
    try:
        return document.model_validate_json(body)
    except ValidationError as wrong:
        raise HubUnreachable(f"not a {document.__name__}: {wrong.error_count()} members are wrong") from None
