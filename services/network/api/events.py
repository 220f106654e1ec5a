"""POST /v1/nodes/{node}/events: a node publishes the next envelopes of its log."""

from typing import Annotated, assert_never

from fastapi import APIRouter, Depends, Header, Path, Request, Response
from pydantic import JsonValue

from eventlog.wire import MOST_BYTES_A_PUSH, OWN_SEQ_HEADER, HeadDocument, Push, PushAnswer
from network.api.answers import signed
from network.api.bodies import capped_body
from network.api.callers import admit, caller_of, only
from network.api.problems import Problem, documented
from network.hub import Hub
from network.ingest import Taken, Turned, take
from network.store.nodes import Node
from sync.hub_log import AnotherNodesLog

TITLES = {
    "fork": "Another envelope stands at this place",
    "gap": "Envelopes are missing before these",
    "behind": "The hub knows more of this log than the node does",
    "broken": "The envelopes do not follow on",
    "forged": "The envelopes are not signed by this node",
    "malformed": "This is not a batch of envelopes",
    "quarantined": "This node's key was withdrawn",
}
STATUSES = {"fork": 409, "gap": 409, "behind": 409, "quarantined": 202}
PUSH_SCHEMA = {
    "requestBody": {"required": True, "content": {"application/json": {"schema": Push.model_json_schema()}}}
}


def routes(hub: Hub) -> APIRouter:
    """The resource, over this hub."""
    router = APIRouter(tags=["node"])
    asking = Annotated[Node, Depends(caller_of(hub, lets_revoked=True))]

    def publisher(node: Annotated[str, Path(description="The node's own name")], caller: asking) -> Node:
        if caller.slug != node:
            raise Problem(
                403, "another-node", "A node publishes its own log only", f"The ticket is of {caller.slug}."
            )
        only(caller, "branch")
        try:
            admit(hub, f"push:{caller.slug}", hub.settings.pushes)
        except Problem:
            hub.measures.count_push("busy")
            raise
        return caller

    async def body(request: Request, caller: Annotated[Node, Depends(publisher)]) -> bytes:
        del caller  # named so that nobody unknown makes the hub read a body
        return await capped_body(request, MOST_BYTES_A_PUSH)

    @router.post(
        "/v1/nodes/{node}/events",
        summary="Publish envelopes",
        description=(
            "At most 500 consecutive envelopes of one incarnation, 1 MiB. 200 comes only after the commit: "
            "`accepted`, or `same` when all were known. 409: `fork`, `gap` or `behind`, with the hub's head. "
            "422: `broken`, `forged` or `malformed`; what was sent is kept for a person to look at. 202 `quarantined`: "
            "the node's key was withdrawn; what blocks counts, the rest is kept for a person."
        ),
        response_model=None,
        responses={200: {"model": PushAnswer}, **documented(202, 401, 403, 409, 413, 415, 422, 429, 503)},
        openapi_extra=PUSH_SCHEMA,
    )
    def publish(
        caller: Annotated[Node, Depends(publisher)],
        sent: Annotated[bytes, Depends(body)],
        own_seq: Annotated[
            int | None, Header(alias=OWN_SEQ_HEADER, ge=0, description="Last seq of the node's own log")
        ] = None,
    ) -> Response:
        now = hub.world.clock()
        try:
            found = take(hub.database, hub.recorder, caller, sent, own_seq=own_seq, now=now)
        except AnotherNodesLog as wrong:
            raise Problem(403, "another-node", "A node publishes its own log only", str(wrong)) from None
        hub.measures.count_push(found.answer)
        match found:
            case Taken():
                hub.announce(found.fresh, found.position)
                answer = PushAnswer(
                    answer=found.answer,
                    head=HeadDocument.of(found.head),
                    position=found.position,
                    hub_time=now,
                )
                return signed(answer, hub.key)
            case Turned():
                if found.placed:
                    hub.announce(found.placed, found.position)
                raise _refusal(found)
            case _:
                assert_never(found)

    return router


def _refusal(turned: Turned) -> Problem:
    members: dict[str, JsonValue] = {"answer": turned.answer}
    if turned.head is not None:
        members["head"] = HeadDocument.of(turned.head).model_dump(mode="json")
    status = STATUSES.get(turned.answer, 422)
    return Problem(status, turned.answer, TITLES[turned.answer], turned.detail, members=members)
