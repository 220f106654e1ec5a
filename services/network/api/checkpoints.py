"""/v1/checkpoints: what the hub has signed over the feed, the proofs between two of them, and the branches' cosignatures."""

from typing import Annotated

from fastapi import APIRouter, Depends, Path, Query, Request, Response
from pydantic import ValidationError

from eventlog.checkpoint import (
    ConsistencyProof,
    Cosignature,
    Cosigned,
    Cosigning,
    InclusionProof,
    WitnessedCheckpoint,
    check_cosignature,
    parse_checkpoint,
)
from eventlog.envelope import Forged
from eventlog.keys import public_key
from eventlog.tree import LARGEST_SIZE
from network.api.answers import signed
from network.api.bodies import capped_body
from network.api.callers import caller_of, only
from network.api.problems import Problem, documented
from network.checkpoints import NotInTheTree, prove_consistency, prove_inclusion
from network.hub import Hub
from network.store import feed_tree
from network.store.nodes import Node
from network.store.pages import feed_head

MOST_BYTES = 4096
MOST_NODES = 10_000
COSIGNING_SCHEMA = {
    "requestBody": {
        "required": True,
        "content": {"application/json": {"schema": Cosigning.model_json_schema()}},
    }
}
Position = Annotated[int, Query(ge=1, le=LARGEST_SIZE)]


def routes(hub: Hub) -> APIRouter:
    """The resource, over this hub."""
    router = APIRouter(tags=["checkpoints"])
    asking = Annotated[Node, Depends(caller_of(hub))]

    @router.get(
        "/v1/checkpoints/latest",
        summary="The last signed checkpoint of the feed",
        description="With `cosigned`, the last one that at least so many nodes have cosigned. 404 when there is none yet.",
        response_model=None,
        responses={200: {"model": WitnessedCheckpoint}, **documented(401, 403, 404, 503)},
    )
    def latest(caller: asking, cosigned: Annotated[int, Query(ge=0, le=MOST_NODES)] = 0) -> Response:
        del caller
        with hub.database.transaction() as tx:
            found = feed_tree.witnessed(tx, feed_head(tx).epoch, at_least=cosigned)
        if found is None:
            raise Problem(404, "no-checkpoint", "No such checkpoint was signed yet")
        return signed(found, hub.key)

    @router.get(
        "/v1/checkpoints/consistency",
        summary="Prove that a later tree begins with an earlier one",
        description="RFC 9162, 2.1.4. Both positions at or before the last checkpoint; 404 otherwise.",
        response_model=None,
        responses={200: {"model": ConsistencyProof}, **documented(401, 403, 404, 422, 503)},
    )
    def consistency(
        caller: asking,
        first: Annotated[int, Query(alias="from", ge=1, le=LARGEST_SIZE)],
        to: Position,
    ) -> Response:
        del caller
        try:
            with hub.database.transaction() as tx:
                found = prove_consistency(tx, first, to)
        except NotInTheTree as wrong:
            raise _outside(wrong) from None
        return signed(found, hub.key)

    @router.get(
        "/v1/checkpoints/inclusion",
        summary="Prove that a fact stands in the tree",
        description="RFC 9162, 2.1.3. `size` at or before the last checkpoint; 404 otherwise.",
        response_model=None,
        responses={200: {"model": InclusionProof}, **documented(401, 403, 404, 422, 503)},
    )
    def inclusion(caller: asking, position: Position, size: Position) -> Response:
        del caller
        try:
            with hub.database.transaction() as tx:
                found = prove_inclusion(tx, position, size)
        except NotInTheTree as wrong:
            raise _outside(wrong) from None
        return signed(found, hub.key)

    def witness(node: Annotated[str, Path(description="The node's own name")], caller: asking) -> Node:
        if caller.slug != node:
            raise Problem(403, "another-node", "A node cosigns for itself only")
        only(caller, "branch", "reader")
        return caller

    async def body(request: Request, caller: Annotated[Node, Depends(witness)]) -> bytes:
        del caller  # named so that nobody unknown makes the hub read a body
        return await capped_body(request, MOST_BYTES)

    @router.post(
        "/v1/nodes/{node}/cosignatures",
        summary="Say that the node's own copy of the feed gives this checkpoint",
        description="404 when the hub signed no such checkpoint, 422 when the signature is not the node's over its bytes.",
        response_model=None,
        responses={200: {"model": Cosigned}, **documented(401, 403, 404, 413, 415, 422, 503)},
        openapi_extra=COSIGNING_SCHEMA,
    )
    def cosign(caller: Annotated[Node, Depends(witness)], sent: Annotated[bytes, Depends(body)]) -> Response:
        return signed(_keep(hub, caller, sent), hub.key)

    return router


def _keep(hub: Hub, caller: Node, sent: bytes) -> Cosigned:
    try:
        word = Cosigning.model_validate_json(sent)
    except ValidationError as wrong:
        raise Problem(
            422, "malformed", "This is not a cosignature", f"{wrong.error_count()} members"
        ) from None
    cosignature = Cosignature(node=caller.slug, key_id=word.key_id, signature=word.signature)
    with hub.database.transaction() as tx:
        found = feed_tree.find(tx, word.epoch, word.position)
        if found is None or parse_checkpoint(found).root != word.root:
            raise Problem(404, "no-checkpoint", "The hub signed no such checkpoint")
        try:
            check_cosignature(found, cosignature, public_key(caller.public_key))
        except Forged as wrong:
            raise Problem(422, "forged", "The cosignature is not this node's", str(wrong)) from None
        kept = feed_tree.add_cosignature(tx, parse_checkpoint(found), cosignature, now=hub.world.clock())
    return Cosigned(position=word.position, cosignatures=len(kept))


def _outside(wrong: NotInTheTree) -> Problem:
    return Problem(404, "no-checkpoint", "No checkpoint covers this", str(wrong))
