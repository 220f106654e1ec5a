"""What comes back after a restore, blocks that overtake their log, and a node that the hub has forgotten."""

from typing import Annotated

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from fastapi import APIRouter, Depends, Header, Path, Request, Response
from pydantic import ValidationError

from eventlog import ticket
from eventlog.envelope import Sealed
from eventlog.keys import public_text
from eventlog.wire import MOST_BYTES_A_PUSH, Alert, EnrolAgain, Enrolled, GiveBack, GivenBack
from network.admission import Rate
from network.api.answers import signed
from network.api.bodies import capped_body
from network.api.callers import admit, bearer, caller_of, only, refused_ticket, token_in
from network.api.problems import Problem, documented
from network.hub import Hub
from network.returns import NotTaken, alerting_envelope, enrol_again, envelopes_given_back, take_returned
from network.store.nodes import HUB, Node
from sync.at_hub import TakenBack

MOST_BYTES_OF_ONE = 160 * 1024  # An envelope of 64 KiB, with every sign of it escaped at worst.
AGAIN = Rate(per_second=20, burst=100)
TITLES = {
    "malformed": (422, "This is not what belongs here"),
    "forged": (422, "The signature is not whose it should be"),
    "not-a-block": (422, "It blocks nothing"),
    "withdrawn": (403, "This key was withdrawn"),
    "superseded": (409, "The node has another key"),
}


def routes(hub: Hub) -> APIRouter:
    """The resource, over this hub."""
    router = APIRouter(tags=["node"])
    asking = Annotated[Node, Depends(caller_of(hub))]
    asking_even_revoked = Annotated[Node, Depends(caller_of(hub, lets_revoked=True))]

    def giver(node: Annotated[str, Path(description="The node's own name")], caller: asking) -> Node:
        return _itself(hub, node, caller)

    def alerter(
        node: Annotated[str, Path(description="The node's own name")], caller: asking_even_revoked
    ) -> Node:
        return _itself(hub, node, caller)

    async def batch(request: Request, caller: Annotated[Node, Depends(giver)]) -> bytes:
        del caller  # named so that nobody unknown makes the hub read a body
        return await capped_body(request, MOST_BYTES_A_PUSH)

    async def one(request: Request, caller: Annotated[Node, Depends(alerter)]) -> bytes:
        del caller  # named so that nobody unknown makes the hub read a body
        return await capped_body(request, MOST_BYTES_OF_ONE)

    @router.post(
        "/v1/nodes/{node}/give-back",
        summary="Give back envelopes that the hub may have lost",
        description=(
            "At most 500 envelopes of any logs, 1 MiB, in any order, believed by their signatures. One that follows on "
            "joins its chain; one that does not is held beside it with a record of the hole or the fork, and counts all "
            "the same. `unknown_key` may be given again, once the key's enrolment has come back."
        ),
        response_model=None,
        responses={200: {"model": GivenBack}, **documented(401, 403, 413, 415, 422, 429, 503)},
        openapi_extra=_schema(GiveBack.model_json_schema()),
    )
    def give_back(
        caller: Annotated[Node, Depends(giver)], sent: Annotated[bytes, Depends(batch)]
    ) -> Response:
        try:
            run = envelopes_given_back(sent)
        except NotTaken as wrong:
            raise _refusal(wrong) from None
        return signed(_take(hub, caller, run), hub.key)

    @router.post(
        "/v1/nodes/{node}/alerts",
        summary="Send a fact that blocks ahead of its log",
        description=(
            "One envelope of the node's own log, out of chain. It counts at once; when the log itself arrives, the fact "
            "keeps the position that it has. Anything that does not block is refused with 422."
        ),
        response_model=None,
        responses={200: {"model": GivenBack}, **documented(401, 403, 413, 415, 422, 429, 503)},
        openapi_extra=_schema(Alert.model_json_schema()),
    )
    def alert(caller: Annotated[Node, Depends(alerter)], sent: Annotated[bytes, Depends(one)]) -> Response:
        try:
            sealed = alerting_envelope(sent, caller)
        except NotTaken as wrong:
            raise _refusal(wrong) from None
        return signed(_take(hub, caller, [sealed], only_blocks=True), hub.key)

    def admitted() -> None:
        admit(hub, "enrol-again", AGAIN)

    async def enrolment(request: Request, may: Annotated[None, Depends(admitted)]) -> bytes:
        del may  # named so that nobody who asks too often makes the hub read a body
        return await capped_body(request, MOST_BYTES_OF_ONE)

    @router.post(
        "/v1/enrol/again",
        summary="Come back into a hub that has forgotten the node",
        description=(
            "The hub's own `node.enrolled` fact about the caller, as the caller read it from the feed. 409 when the node "
            "was enrolled with another key since, 403 when the key was withdrawn."
        ),
        response_model=None,
        responses={200: {"model": Enrolled}, **documented(401, 403, 409, 413, 415, 422, 429, 503)},
        openapi_extra=_schema(EnrolAgain.model_json_schema()),
    )
    def again(
        sent: Annotated[bytes, Depends(enrolment)],
        authorization: Annotated[str | None, Header(include_in_schema=False)] = None,
        documented_as: Annotated[object, Depends(bearer)] = None,
    ) -> Response:
        del documented_as
        return signed(_enrolled_again(hub, sent, token_in(authorization)), hub.key)

    return router


def _itself(hub: Hub, node: str, caller: Node) -> Node:
    if caller.slug != node:
        raise Problem(
            403, "another-node", "A node speaks for itself only", f"The ticket is of {caller.slug}."
        )
    only(caller, "branch")
    admit(hub, f"give-back:{caller.slug}", hub.settings.pushes)
    return caller


def _take(
    hub: Hub, caller: Node, run: list[Sealed] | tuple[Sealed, ...], *, only_blocks: bool = False
) -> GivenBack:
    now = hub.world.clock()
    taken = take_returned(hub.database, hub.recorder, caller.slug, run, now=now, only_blocks=only_blocks)
    _announce(hub, taken, "alert" if only_blocks else "given back")
    return GivenBack(
        settled=taken.settled,
        unknown_key=taken.unknown_key,
        refused=taken.refused,
        position=taken.position,
        epoch=hub.epoch,
    )


def _enrolled_again(hub: Hub, sent: bytes, token: str) -> Enrolled:
    now = hub.world.clock()

    def check_ticket(slug: str, key: Ed25519PublicKey) -> None:
        try:
            ticket.check(token, lambda asked: key if asked == slug else None, now)
        except ticket.TicketRefused as refused:
            raise refused_ticket(refused, now) from None

    try:
        sealed = EnrolAgain.model_validate_json(sent).envelope.sealed()
        node, taken = enrol_again(
            hub.database, hub.recorder, sealed, hub.key.public_key(), check_ticket, now=now
        )
    except (ValidationError, ValueError):
        raise Problem(422, "malformed", TITLES["malformed"][1]) from None
    except NotTaken as wrong:
        raise _refusal(wrong) from None
    _announce(hub, taken, "enrolled again")
    return Enrolled(
        node=node.slug,
        name=node.name,
        epoch=hub.epoch,
        hub_node=HUB,
        hub_public_key=public_text(hub.key.public_key()),
    )


def _announce(hub: Hub, taken: TakenBack, way: str) -> None:
    hub.measures.count_returned(way, len(taken.placed))
    if taken.placed:
        hub.announce(tuple(one.link for one in taken.placed), taken.position)


def _refusal(wrong: NotTaken) -> Problem:
    status, title = TITLES[wrong.why]
    return Problem(status, wrong.why, title, str(wrong))


def _schema(schema: dict[str, object]) -> dict[str, object]:
    return {"requestBody": {"required": True, "content": {"application/json": {"schema": schema}}}}
