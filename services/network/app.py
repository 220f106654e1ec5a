"""The hub as a web application: its routes, its errors, and the tasks that live as long as it does."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import Depends, FastAPI

import signage
from network.api import beats, checkpoints, divers, enrol, events, feed, health, returns, snapshots
from network.api.callers import refuse_when_fallen
from network.api.problems import ProblemDocument, answer_problems
from network.audit import keep_auditing
from network.checkpoints import keep_signing
from network.hub import Hub
from network.office import api as office_api
from network.office import pages as office_pages
from network.office.pages import problem_page
from network.projections.runner import keep_up
from network.restoring import keep_mark
from network.snapshots import keep_snapshots

DESCRIPTION = """
One log of immutable facts about breathing-gas cylinders, published by shops and numbered here.
Nodes sign what they publish; the hub signs what it answers. Errors are problem details (RFC 9457).
"""


def make_app(hub: Hub) -> FastAPI:
    """The application over these parts; it closes them when it ends."""

    @asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        del app
        listening = asyncio.create_task(hub.doorbell.run(), name="doorbell")
        reading = asyncio.create_task(keep_up(hub.database, hub.doorbell, hub.measures), name="projections")
        signing = asyncio.create_task(
            keep_signing(hub.database, hub.doorbell, hub.key, hub.world.clock, trouble=hub.trouble),
            name="checkpoints",
        )
        marking = asyncio.create_task(
            keep_mark(hub.database, hub.recorder, hub.beside, hub.doorbell, hub.own_log.inc),
            name="high-water",
        )
        auditing = asyncio.create_task(
            keep_auditing(hub.database, hub.doorbell, hub.measures, hub.world.clock), name="audit"
        )
        packing = asyncio.create_task(
            keep_snapshots(
                hub.database, hub.settings.data, hub.key, hub.doorbell, hub.world.clock, trouble=hub.trouble
            ),
            name="snapshots",
        )
        for task in (listening, reading, signing, marking, auditing, packing):
            hub.background.watch(task)
        yield
        hub.doorbell.stop()
        listening.cancel()
        # Reader, signer and packer are let finish their batch: a thread cannot be cancelled. How they ended was logged when
        # they did; it must not keep the rest from closing.
        await asyncio.wait({listening, reading, signing, marking, auditing, packing})
        hub.close()

    app = FastAPI(
        title="Filltrail hub",
        version="1",
        description=DESCRIPTION,
        lifespan=life,
        # The framework's own pages load scripts from elsewhere.
        docs_url=None,
        redoc_url=None,
        responses={"default": {"model": ProblemDocument}},
    )
    answer_problems(app, hub.key, page=lambda _, problem: problem_page(hub, problem), pages_at="/office")
    firm = [Depends(refuse_when_fallen(hub))]
    for part in (events, feed, returns, checkpoints, snapshots, enrol, divers):
        app.include_router(part.routes(hub), dependencies=firm)
    # What shows that the hub has fallen back must be heard while it has; beats refuse by themselves.
    for part in (beats, health, office_api, office_pages):
        app.include_router(part.routes(hub))
    signage.install(app)
    signage.guard(app)
    return app
