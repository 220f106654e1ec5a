"""The web application of a node: guards, routes, errors in words. Built from a wired Node and nothing else."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.responses import Response

import signage
from branch.node import SOFTWARE, Node
from branch.web import api, blend_api, depth_api, gauge_api, pages
from branch.web.gate import SignInNeeded
from branch.web.guards import BodyLimit, SameSite
from branch.web.problems import problem
from branch.witnessing import witness_of
from cylinder.refusal import Reason, Refused

log = structlog.get_logger("branch.web")


def make_app(node: Node) -> FastAPI:
    """The app; its sync loops live as long as it does."""

    @contextlib.asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        node.live.attach(asyncio.get_running_loop())
        loops = asyncio.create_task(node.sync.run())
        loops.add_done_callback(node.sync.ended)
        witnessing = asyncio.create_task(witness_of(node).run())
        try:
            yield
        finally:
            loops.cancel()
            witnessing.cancel()
            # How they ended was logged when they did; it must not keep the rest from closing.
            await asyncio.wait({loops, witnessing})
            await node.http.aclose()
            node.store.close()

    app = FastAPI(
        title="Filltrail branch node",
        version=SOFTWARE.removeprefix("filltrail-"),
        description="Commands and look-ups of one shop's node. Sign in on an enrolled device first.",
        docs_url=None,
        redoc_url=None,
        lifespan=life,
    )
    app.state.node = node
    app.include_router(api.router)
    app.include_router(gauge_api.router)
    app.include_router(blend_api.router)
    app.include_router(depth_api.router)
    pages.install(app)
    app.add_exception_handler(Refused, _refused)
    app.add_exception_handler(SignInNeeded, _sign_in_needed)
    app.add_exception_handler(RequestValidationError, _not_understood)
    app.add_exception_handler(Exception, _broken)
    app.add_middleware(BodyLimit)
    app.add_middleware(SameSite)
    signage.install(app)
    signage.guard(app)
    return app


def _wants_page(request: Request) -> bool:
    return not request.url.path.startswith("/api/")


async def _refused(request: Request, wrong: Exception) -> Response:
    assert isinstance(wrong, Refused)
    if _wants_page(request):
        return await pages.refused(request, wrong.reasons)
    return problem(409, "Refused", "; ".join(reason.words for reason in wrong.reasons), wrong.reasons)


async def _sign_in_needed(request: Request, wrong: Exception) -> Response:
    assert isinstance(wrong, SignInNeeded)
    if _wants_page(request):
        return await pages.sign_in_needed(request, wrong.back_to)
    return problem(401, "Sign in first", "Nobody is signed in on this device, or the session has locked.")


async def _not_understood(request: Request, wrong: Exception) -> Response:
    assert isinstance(wrong, RequestValidationError)
    reasons = tuple(
        Reason("input." + ".".join(str(part) for part in error["loc"]), str(error["msg"]), "input")
        for error in wrong.errors()
    )
    if _wants_page(request):
        return await pages.refused(request, reasons)
    return problem(422, "Not understood", "; ".join(r.words for r in reasons), reasons)


async def _broken(request: Request, wrong: Exception) -> Response:
    log.error("bug", path=request.url.path, error=type(wrong).__name__, exc_info=wrong)
    # It may have failed after the record was made: what is true stands on the board, not in this answer.
    words = "Something failed in this software. Do not fill. Whether this was recorded, the board shows; ask a manager."
    if _wants_page(request):
        return await pages.broken(request, words)
    return problem(500, "Failed", words)
