"""The pages of a shop. One page, one template, one function, one question answered."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import Response

from branch.web.pages import (
    about,
    banks,
    banks_read,
    banks_set_up,
    bay,
    bench,
    blend,
    board,
    depth,
    errors,
    find,
    gap,
    greet,
    hand_over,
    identity,
    label,
    recalls,
    sets,
    sign_in,
    staff,
    stop,
    stream,
    unread,
    visit,
)  # fmt: skip
from branch.web.problems import problem
from cylinder.refusal import Reason

_ROUTERS = (
    sign_in.router, board.router, stream.router, stop.router,
    greet.router, find.router, bay.router, hand_over.router, staff.router, about.router,
    label.router, sets.router, unread.router, identity.router, visit.router, bench.router, blend.router, gap.router, recalls.router,
    depth.router, banks_set_up.router, banks_read.router, banks.router,
)  # fmt: skip


def install(app: FastAPI) -> None:
    """Add every page to the app, and words for the addresses that are none."""
    for router in _ROUTERS:
        app.include_router(router)
    app.add_exception_handler(HTTPException, _no_such_page)


async def refused(request: Request, reasons: Sequence[Reason]) -> Response:
    """Every reason at once, where the page that asked is not known."""
    return await run_in_threadpool(errors.refused, request, reasons)


async def sign_in_needed(request: Request, back_to: str) -> Response:
    """The sign-in, and afterwards on from where one was."""
    return await sign_in.sign_in_needed(request, back_to)


async def broken(request: Request, words: str) -> Response:
    """A red page: do not fill, and look at the board whether this was recorded."""
    return await run_in_threadpool(errors.broken, request, words)


async def _no_such_page(request: Request, wrong: Exception) -> Response:
    assert isinstance(wrong, HTTPException)
    if request.url.path.startswith("/api/"):
        return problem(wrong.status_code, str(wrong.detail))
    return await run_in_threadpool(errors.not_found, request, status=wrong.status_code)
