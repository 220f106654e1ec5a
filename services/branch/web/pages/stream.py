"""The live feed of an open page: the whole picture when it connects, what changed after that, a beat every two seconds.

Sends what was recorded, and where a visit's page must go when its cylinder is stopped or held. Holds no session open
but that of a tablet in front of a cylinder that is being filled.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from uuid import UUID

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from starlette.responses import PlainTextResponse, Response, StreamingResponse

from branch.floor import Against, against
from branch.node import Node
from branch.store.rows import standing_row
from branch.web.gate import DEVICE_COOKIE, SESSION_COOKIE, TheNode
from branch.web.pages import steps_fill
from branch.web.pages.board import pieces
from branch.web.pages.render import epoch_ms

router = APIRouter(include_in_schema=False)
BEAT_S = 2.0


@dataclass(frozen=True)
class Watch:
    """What one open page shows, and what it knew when it was written."""

    with_board: bool
    visit_id: UUID | None
    seen: str
    session_token: str | None
    device_token: str | None


@router.get("/stream")
async def stream(
    request: Request, node: TheNode, board: int = 0, visit: UUID | None = None, seen: str = "open"
) -> Response:
    """text/event-stream with the events `beat`, `picture` and `go`."""
    cookies = request.cookies
    if await run_in_threadpool(node.people.device, cookies.get(DEVICE_COOKIE)) is None:
        return PlainTextResponse("This tablet is not enrolled here.", 403)
    watch = Watch(board == 1, visit, seen, cookies.get(SESSION_COOKIE), cookies.get(DEVICE_COOKIE))
    return StreamingResponse(_news(node, watch), media_type="text/event-stream")


async def _news(node: Node, watch: Watch) -> AsyncIterator[str]:
    shown: dict[str, str] = {}
    async with node.live.listening() as bell:
        while not node.live.is_closed:
            bell.clear()
            picture, to = await run_in_threadpool(_look, node, watch)
            if to:
                yield _event("go", {"url": to})
                return
            changed = {name: html for name, html in picture.items() if shown.get(name) != html}
            if changed:
                shown |= changed
                yield _event("picture", {"elements": changed})
            yield _event("beat", {"now_ms": epoch_ms(node.floor.now())})
            try:
                await asyncio.wait_for(bell.wait(), BEAT_S)
            except TimeoutError:
                continue


def _look(node: Node, watch: Watch) -> tuple[dict[str, str], str]:
    """The picture now, and the page to go to at once, if there is one."""
    to = ""
    follows: dict[str, str] = {}
    if watch.visit_id is not None:
        state, is_filling = _visit_now(node, watch.visit_id)
        if state != watch.seen:
            to = f"/visits/{watch.visit_id}"
        if is_filling:
            # Looking at the session keeps it: a tablet must not lock in front of an open valve.
            node.people.session(watch.session_token, watch.device_token)
            visit = node.desk.visit(watch.visit_id)
            if visit is not None and visit.is_filling and visit.blending is None:
                follows = steps_fill.live(node, visit)
    return {**pieces(node, with_board=watch.with_board), **follows}, to


def _visit_now(node: Node, visit_id: UUID) -> tuple[Against, bool]:
    visit = node.desk.visit(visit_id)
    if visit is None or not visit.is_open:
        return "open", False
    with node.store.reading() as c:
        standing = standing_row(c, visit.cylinder_id) if visit.cylinder_id else None
    return against(visit, standing), visit.is_filling


def _event(name: str, data: Mapping[str, object]) -> str:
    return f"event: {name}\ndata: {json.dumps(data, separators=(',', ':'))}\n\n"
