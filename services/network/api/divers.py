"""/v1/divers: names and addresses, for enrolled nodes only. Nothing of them is logged."""

from typing import Annotated

from fastapi import APIRouter, Depends, Path, Query, Request, Response
from pydantic import ValidationError

from eventlog.wire import DiverCard, DiverCards
from network.admission import Rate
from network.api.answers import signed
from network.api.bodies import capped_body
from network.api.callers import admit, caller_of, only
from network.api.problems import Problem, documented
from network.hub import Hub
from network.store.nodes import Node
from network.vault import AddressTaken, CardRefused

MOST_BYTES_A_CARD = 4096
# A counter types a name letter by letter; whoever copies the whole vault asks more often.
LOOK_UPS = Rate(per_second=10, burst=50)
Ref = Annotated[str, Path(pattern=r"^[A-Za-z0-9_-]{8,64}$", description="The diver's random reference")]


def routes(hub: Hub) -> APIRouter:
    """The resource, over this hub."""
    router = APIRouter(tags=["divers"])
    asking = Annotated[Node, Depends(caller_of(hub))]

    async def body(request: Request, caller: asking) -> bytes:
        only(caller, "branch")
        return await capped_body(request, MOST_BYTES_A_CARD)

    @router.put(
        "/v1/divers/{diver_ref}",
        summary="Keep a diver's card",
        description="Sealed with a key of this diver alone. 409 when another diver has the e-mail address.",
        status_code=204,
        response_model=None,
        responses=documented(401, 403, 409, 413, 415, 422, 503),
        openapi_extra={
            "requestBody": {
                "required": True,
                "content": {"application/json": {"schema": DiverCard.model_json_schema()}},
            }
        },
    )
    def put(diver_ref: Ref, sent: Annotated[bytes, Depends(body)]) -> Response:
        try:
            card = DiverCard.model_validate_json(sent)
        except ValidationError as wrong:
            where = ", ".join(sorted({str(found["loc"][0]) for found in wrong.errors() if found["loc"]}))
            raise Problem(
                422, "card", "This is not a diver's card", f"Look at: {where or 'all of it'}."
            ) from None
        if card.diver_ref != diver_ref:
            raise Problem(422, "card", "The card is another diver's")
        try:
            hub.vault.put(card, now=hub.world.clock())
        except CardRefused as refused:
            raise Problem(
                422,
                "card",
                "The card cannot be kept",
                str(refused),
                members={"reasons": list(refused.reasons)},
            ) from None
        except AddressTaken:
            raise Problem(
                409, "address-taken", "Another diver has this e-mail address", "Find the diver by it."
            ) from None
        return Response(status_code=204)

    @router.get(
        "/v1/divers/{diver_ref}",
        summary="One diver's card",
        response_model=None,
        responses={200: {"model": DiverCard}, **documented(401, 403, 404, 429, 503)},
    )
    def get(diver_ref: Ref, caller: asking) -> Response:
        admit(hub, f"divers:{caller.slug}", LOOK_UPS)
        card = hub.vault.get(diver_ref)
        if card is None:
            raise Problem(404, "diver", "The vault knows no such diver")
        return signed(card, hub.key)

    @router.get(
        "/v1/divers",
        summary="Find divers",
        description="By a part of the name, the address or the number; at most 20.",
        response_model=None,
        responses={200: {"model": DiverCards}, **documented(401, 403, 429, 503)},
    )
    def find(caller: asking, q: Annotated[str, Query(max_length=120)]) -> Response:
        admit(hub, f"divers:{caller.slug}", LOOK_UPS)
        return signed(DiverCards(divers=hub.vault.find(q)), hub.key)

    return router
