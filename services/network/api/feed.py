"""GET /v1/feed, its head, and the bell that rings when it moves."""

import base64
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Response
from fastapi.responses import StreamingResponse

from eventlog.event import NO_HASH
from eventlog.wire import MOST_ITEMS_A_PAGE, FeedItem, FeedPage, HashAtDocument, HeadNews
from network.api.answers import signed
from network.api.callers import caller_of
from network.api.problems import Problem, documented
from network.hub import Hub
from network.store.log import ReadingHubLog
from network.store.nodes import Node
from network.store.pages import Stored, feed_head, page

BEAT_S = 2.0
MOST_BELLS = 4000
# A page that is full never changes. Private: only the enrolled may keep it.
FOREVER = "private, max-age=31536000, immutable"


def routes(hub: Hub) -> APIRouter:
    """The resource, over this hub."""
    router = APIRouter(tags=["feed"])
    asking = Annotated[Node, Depends(caller_of(hub))]

    @router.get(
        "/v1/feed",
        summary="Read the shared log",
        description=(
            "Positions after+1 and on, with the cumulative hash at the last of them. Another `epoch` than the "
            "hub's gets an empty page that names the hub's; 409 when the reader is ahead of the hub."
        ),
        response_model=None,
        responses={200: {"model": FeedPage}, **documented(401, 403, 409, 422, 503)},
    )
    def feed(
        caller: asking,
        epoch: Annotated[str, Query(max_length=64, description="The epoch read so far, or none")] = "none",
        after: Annotated[int, Query(ge=0, le=2**62)] = 0,
        limit: Annotated[int, Query(ge=1, le=MOST_ITEMS_A_PAGE)] = MOST_ITEMS_A_PAGE,
    ) -> Response:
        now = hub.world.clock()
        with hub.database.transaction() as tx:
            head = feed_head(tx)
            if epoch not in ("none", head.epoch):
                other = FeedPage(
                    epoch=head.epoch,
                    after=after,
                    head=head.position,
                    items=(),
                    feed_hash=NO_HASH,
                    hub_time=now,
                )
                return signed(other, hub.key)
            if after > head.position:
                detail = f"The feed ends at {head.position}."
                raise Problem(409, "ahead", "The reader is ahead of the feed", detail)
            found = page(tx, after=after, limit=limit)
        hub.hearing.note(caller.slug, now=now, position=after)
        document = FeedPage(
            epoch=found.head.epoch,
            after=after,
            head=found.head.position,
            items=tuple(_item(one) for one in found.items),
            feed_hash=found.feed_hash,
            hub_time=now,
        )
        # The epoch is part of the address of a page only when it was given.
        is_full = len(found.items) == limit and epoch == found.head.epoch
        return signed(document, hub.key, cache=FOREVER if is_full else "no-store")

    @router.get(
        "/v1/feed/head",
        summary="How far the feed has come",
        response_model=None,
        responses={200: {"model": HeadNews}, **documented(401, 403, 503)},
    )
    def head(caller: asking) -> Response:
        del caller
        stands = hub.head()
        return signed(HeadNews(epoch=stands.epoch, head=stands.position), hub.key)

    @router.get(
        "/v1/feed/hash",
        summary="The cumulative hash at a position",
        description="By which a node finds the last position that its copy shares with the hub's; none beyond the head.",
        response_model=None,
        responses={200: {"model": HashAtDocument}, **documented(401, 403, 422, 503)},
    )
    def hash_at(
        caller: asking, at: Annotated[int, Query(ge=0, le=2**62, description="The position")]
    ) -> Response:
        del caller
        with hub.database.transaction() as tx:
            shared = ReadingHubLog(tx, hub.recorder)
            found, epoch = shared.feed_hash_at(at), shared.feed_end().epoch
        return signed(HashAtDocument(epoch=epoch, position=at, feed_hash=found), hub.key)

    @router.get(
        "/v1/feed/bell",
        summary="Be told when the feed moves",
        description=(
            "A text/event-stream: `head` at once and whenever the feed moves, `beat` each 2 s otherwise, both "
            "with {epoch, head}. A hint to look, never the news itself."
        ),
        response_class=StreamingResponse,
        responses={200: {"content": {"text/event-stream": {}}}, **documented(401, 403, 503)},
    )
    async def bell(caller: asking) -> StreamingResponse:
        del caller
        if hub.measures.bells >= MOST_BELLS:
            raise Problem(503, "bells", "Too many nodes listen", headers={"retry-after": "5"})
        return StreamingResponse(
            _strokes(hub), media_type="text/event-stream", headers={"cache-control": "no-store"}
        )

    return router


async def _strokes(hub: Hub) -> AsyncIterator[str]:
    hub.measures.bell_opened()
    try:
        told = -1
        while not hub.doorbell.is_stopped:
            stands = await hub.doorbell.wait(beyond=told, timeout_s=BEAT_S)
            if stands is None:
                yield ": the hub has not seen its database yet\n\n"
                continue
            news = HeadNews(epoch=stands.epoch, head=stands.position)
            event = "beat" if stands.position == told else "head"
            told = stands.position
            yield f"event: {event}\ndata: {news.model_dump_json()}\n\n"
    finally:
        hub.measures.bell_closed()


def _item(one: Stored) -> FeedItem:
    return FeedItem(
        position=one.position,
        received_at=one.received_at,
        raw=one.sealed.raw.decode(),
        signature=base64.b64encode(one.sealed.signature).decode(),
    )
