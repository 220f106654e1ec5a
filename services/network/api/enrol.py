"""POST /v1/enrol: a one-time code for a place in the network."""

from typing import Annotated, assert_never

import psycopg
from fastapi import APIRouter, Depends, Request, Response
from pydantic import ValidationError

from eventlog.keys import public_text
from eventlog.wire import Enrolled, Enrolment
from network.admission import Rate
from network.api.answers import signed
from network.api.bodies import capped_body
from network.api.callers import admit
from network.api.problems import Problem, documented
from network.enrolment import LetIn, TurnedAway, let_in
from network.hub import Hub
from network.store.nodes import HUB
from network.store.pages import feed_head

MOST_BYTES_AN_ENROLMENT = 4096
# Everybody who has no ticket yet shares this: a code is 128 bits, but guessing costs the database a look.
ENROLMENTS = Rate(per_second=5, burst=20)


def routes(hub: Hub) -> APIRouter:
    """The resource, over this hub."""
    router = APIRouter(tags=["node"])

    def admitted() -> None:
        admit(hub, "enrol", ENROLMENTS)

    async def body(request: Request, may: Annotated[None, Depends(admitted)]) -> bytes:
        del may  # named so that nobody who asks too often makes the hub read a body
        return await capped_body(request, MOST_BYTES_AN_ENROLMENT)

    @router.post(
        "/v1/enrol",
        summary="Join the network",
        description="Spends the code; 410 when it was used before or is too old. The answer's key is to be pinned.",
        response_model=None,
        responses={200: {"model": Enrolled}, **documented(403, 409, 410, 413, 415, 422, 429, 503)},
        openapi_extra={
            "requestBody": {
                "required": True,
                "content": {"application/json": {"schema": Enrolment.model_json_schema()}},
            }
        },
    )
    def enrol(sent: Annotated[bytes, Depends(body)]) -> Response:
        try:
            enrolment = Enrolment.model_validate_json(sent)
        except ValidationError as wrong:
            where = ", ".join(sorted({str(found["loc"][0]) for found in wrong.errors() if found["loc"]}))
            raise Problem(
                422, "enrolment", "This is not an enrolment", f"Look at: {where or 'all of it'}."
            ) from None
        now = hub.world.clock()
        try:
            with hub.database.transaction() as tx:
                epoch = feed_head(tx).epoch
                found = let_in(
                    tx,
                    hub.own_log,
                    enrolment.code,
                    enrolment.public_key,
                    fact_id=hub.world.new_id(),
                    now=now,
                    phone=enrolment.phone,
                    reply_to=enrolment.reply_to,
                )
        except psycopg.errors.UniqueViolation:
            raise Problem(409, "key-in-use", "Another node holds this key", "Make a new one.") from None
        match found:
            case TurnedAway():
                raise _refusal(found)
            case LetIn():
                hub.announce_own(found.appended)
                answer = Enrolled(
                    node=found.node.slug,
                    name=found.node.name,
                    epoch=epoch,
                    hub_node=HUB,
                    hub_public_key=public_text(hub.key.public_key()),
                )
                return signed(answer, hub.key)
            case _:
                assert_never(found)

    return router


def _refusal(turned: TurnedAway) -> Problem:
    match turned.why:
        case "unknown":
            return Problem(403, "code", "This code is not known", "Ask the hub's operator for one.")
        case "used":
            return Problem(410, "code-used", "This code was used", "A code lets in one node, once.")
        case "too old":
            return Problem(410, "code-too-old", "This code is too old", "Ask for a new one.")
        case "not a key":
            return Problem(422, "key", "This is not an Ed25519 public key", "Send its 32 bytes as base64.")
        case _:
            assert_never(turned.why)
