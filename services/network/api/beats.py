"""A node's beat, and what nodes show when the hub has fallen back behind what it once signed."""

from typing import Annotated

from fastapi import APIRouter, Depends, Path, Request, Response
from pydantic import ValidationError

from eventlog.answer import check_answer
from eventlog.envelope import Forged
from eventlog.wire import BeatAnswerDocument, BeatDocument, HubAhead, HubAheadAnswer
from network.admission import Rate
from network.api.answers import signed
from network.api.bodies import capped_body
from network.api.callers import admit, caller_of, only, refuse_when_fallen
from network.api.problems import Problem, documented
from network.beating import hear
from network.hub import Hub
from network.restoring import proof_of_fall
from network.store.log import ReadingHubLog
from network.store.nodes import Node

MOST_BYTES_A_BEAT = 4096
MOST_BYTES_SHOWN = 8192
TICKET_BYTES = 16
BEATS = Rate(per_second=5, burst=20)
# Whoever shows something has no ticket that a restored hub could know: all share this.
SHOWN = Rate(per_second=5, burst=20)


def routes(hub: Hub) -> APIRouter:
    """The resource, over this hub."""
    router = APIRouter(tags=["node"])
    asking = Annotated[Node, Depends(caller_of(hub))]

    def beating(node: Annotated[str, Path(description="The node's own name")], caller: asking) -> Node:
        if caller.slug != node:
            raise Problem(403, "another-node", "A node speaks for itself only")
        only(caller, "branch", "reader")
        admit(hub, f"beat:{caller.slug}", BEATS)
        return caller

    async def body(request: Request, caller: Annotated[Node, Depends(beating)]) -> bytes:
        del caller  # named so that nobody unknown makes the hub read a body
        return await capped_body(request, MOST_BYTES_A_BEAT)

    @router.post(
        "/v1/nodes/{node}/beat",
        summary="Say where the node stands, and take the next ticket",
        description=(
            "A ticket is good once. `stale`: this one was used; begin a new incarnation. `clone`: the incarnation that "
            "was followed still lives, so two nodes speak with one key; it becomes a fact of the hub. `digest` compares "
            "the node's standings with the hub's at exactly the same position."
        ),
        response_model=None,
        dependencies=[Depends(refuse_when_fallen(hub))],
        responses={200: {"model": BeatAnswerDocument}, **documented(401, 403, 413, 415, 422, 429, 503)},
        openapi_extra=_schema(BeatDocument.model_json_schema()),
    )
    def beat(caller: Annotated[Node, Depends(beating)], sent: Annotated[bytes, Depends(body)]) -> Response:
        try:
            said = BeatDocument.model_validate_json(sent)
        except ValidationError as wrong:
            detail = f"{wrong.error_count()} members are wrong"
            raise Problem(422, "malformed", "This is not a beat", detail) from None
        return signed(_heard(hub, caller, said), hub.key)

    def admitted() -> None:
        admit(hub, "ahead", SHOWN)

    async def shown_body(request: Request, may: Annotated[None, Depends(admitted)]) -> bytes:
        del may  # named so that nobody who asks too often makes the hub read a body
        return await capped_body(request, MOST_BYTES_SHOWN)

    @router.post(
        "/v1/feed/ahead",
        summary="Show the hub what it once signed",
        description=(
            "The body and signature of a beat's answer. When it names a position of this epoch that the hub does not "
            "hold, or held otherwise, the hub was rolled back: it serves nothing until its operator gives it a new epoch."
        ),
        response_model=None,
        responses={200: {"model": HubAheadAnswer}, **documented(408, 413, 415, 422, 429, 503)},
        openapi_extra=_schema(HubAhead.model_json_schema()),
    )
    def ahead(sent: Annotated[bytes, Depends(shown_body)]) -> Response:
        return signed(_judged(hub, sent), hub.key)

    return router


def _heard(hub: Hub, caller: Node, said: BeatDocument) -> BeatAnswerDocument:
    now = hub.world.clock()
    heard = hear(
        hub.database, hub.recorder, hub.own_log, hub.digests, caller, said,
        ticket=hub.world.draw(TICKET_BYTES).hex(), fact_id=hub.world.new_id(), now=now,
    )  # fmt: skip
    hub.measures.count_beat(heard.answer.verdict, digest=heard.digest, feed_agrees=heard.feed_agrees)
    if heard.suspected is not None:
        hub.announce_own(heard.suspected)
    return BeatAnswerDocument(
        verdict=heard.answer.verdict,
        inc=heard.answer.inc,
        ticket=heard.answer.ticket,
        epoch=heard.end.epoch,
        head=heard.end.position,
        feed_hash=heard.end.feed_hash,
        digest=heard.digest,
        hub_time=now,
    )


def _judged(hub: Hub, sent: bytes) -> HubAheadAnswer:
    try:
        ahead = HubAhead.model_validate_json(sent)
        check_answer(ahead.body.encode(), ahead.signature, hub.key.public_key())
        shown = BeatAnswerDocument.model_validate_json(ahead.body)
    except Forged as wrong:
        raise Problem(422, "forged", "This hub did not sign that", str(wrong)) from None
    except ValidationError as wrong:
        detail = f"{wrong.error_count()} members are wrong"
        raise Problem(422, "malformed", "This is not the answer to a beat", detail) from None
    with hub.database.transaction() as tx:
        tx.execute("set transaction isolation level repeatable read, read only")
        why = proof_of_fall(tx, hub.recorder, shown)
        end = ReadingHubLog(tx, hub.recorder).feed_end()
    if why is not None:
        hub.fall_back(why)
    return HubAheadAnswer(is_rolled_back=why is not None, epoch=end.epoch, head=end.position)


def _schema(schema: dict[str, object]) -> dict[str, object]:
    return {"requestBody": {"required": True, "content": {"application/json": {"schema": schema}}}}
