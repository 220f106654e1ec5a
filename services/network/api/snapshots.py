"""/v1/snapshots: the ready file for a shop that begins with nothing, what was stopped where it ends, and its bytes."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated

from fastapi import APIRouter, Depends, Path, Response
from fastapi.responses import FileResponse

from eventlog.answer import sign_answer
from eventlog.snapshot import BlockedList, SignedManifest
from eventlog.wire import SIGNED_HEADER
from network import snapshots
from network.api.answers import signed
from network.api.callers import caller_of
from network.api.problems import Problem, documented
from network.hub import Hub
from network.snapshots import Ready
from network.store.nodes import Node

# What a digest names never changes. Private: only the enrolled may keep it.
FOREVER = "private, max-age=86400, immutable"
Digest = Annotated[str, Path(pattern=r"^[0-9a-f]{64}$", description="The SHA-256 that the manifest names")]


def routes(hub: Hub) -> APIRouter:
    """The resource, over this hub."""
    router = APIRouter(tags=["snapshots"])
    asking = Annotated[Node, Depends(caller_of(hub))]

    @router.get(
        "/v1/snapshots/latest",
        summary="The newest ready file of the feed",
        description="The signed manifest of a file that belongs to the present epoch. 404 when there is none: read the feed.",
        response_model=None,
        responses={200: {"model": SignedManifest}, **documented(401, 403, 404, 503)},
    )
    def latest(caller: asking) -> Response:
        del caller
        with hub.database.transaction() as tx:
            found = snapshots.newest(tx, hub.settings.data)
        if found is None:
            raise Problem(404, "no-snapshot", "There is no ready file")
        return signed(found.signed, hub.key)

    @router.get(
        "/v1/snapshots/{sha256}/blocked",
        summary="What was stopped where the file ends",
        response_model=None,
        responses={200: {"model": BlockedList}, **documented(401, 403, 404, 422, 503)},
    )
    def blocked(caller: asking, sha256: Digest) -> Response:
        del caller
        with _held(hub, sha256) as found:
            body = found.blocked.read_bytes()
        headers = {SIGNED_HEADER: sign_answer(body, hub.key), "cache-control": "no-store"}
        return Response(body, media_type="application/json", headers=headers)

    @router.get(
        "/v1/snapshots/{sha256}",
        summary="The bytes of a ready file",
        description=(
            "Gzip of one feed item a line. With `Range`, from where a cut left them (RFC 9110, 14). 404 when it was "
            "thrown away since: ask for the newest."
        ),
        response_class=FileResponse,
        responses={
            200: {"content": {"application/gzip": {}}},
            206: {"content": {"application/gzip": {}}},
            **documented(401, 403, 404, 422, 503),
        },
    )
    def facts(caller: asking, sha256: Digest) -> FileResponse:
        del caller
        with _held(hub, sha256) as found:
            size = found.facts.stat()
        return FileResponse(
            found.facts,
            media_type="application/gzip",
            headers={"cache-control": FOREVER, "etag": f'"{sha256}"'},
            stat_result=size,
        )

    return router


@contextmanager
def _held(hub: Hub, sha256: str) -> Iterator[Ready]:
    """The file of this digest. It may be thrown away between the look and the reading: then it is not kept either."""
    gone = Problem(404, "no-snapshot", "This ready file is not kept any more", "Ask for the newest.")
    found = snapshots.held(hub.settings.data, sha256)
    if found is None:
        raise gone
    try:
        yield found
    except FileNotFoundError:
        raise gone from None
