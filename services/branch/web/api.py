"""The node's commands and look-ups as JSON: what the pages do, for programs. Same session, same refusals."""

from __future__ import annotations

import datetime as dt
from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Body, Query, Request, Response
from fastapi.responses import JSONResponse
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from branch.desk import Outcome
from branch.link import news_heard_at, why_in_doubt
from branch.people import SignInRefused
from branch.signatures import LONGEST_STROKE, Signing, sign_for
from branch.store import views as look
from branch.store.rows import node_row, standing_row
from branch.web.gate import DEVICE_COOKIE, DEVICE_LASTS_S, SESSION_COOKIE, SignedIn, TheNode, set_cookie
from branch.web.measures import registry
from branch.web.problems import Problem, problem
from cylinder.commands import Command, SignContents
from cylinder.facts.analysis import HowSigned, Percent
from cylinder.marks import Marks
from cylinder.refusal import Reason, Refused
from cylinder.standing import Standing
from eventlog.wire import DiverCard

router = APIRouter()
_REFUSALS: dict[int | str, dict[str, object]] = {
    401: {"model": Problem, "description": "Nobody is signed in on this device"},
    409: {"model": Problem, "description": "Refused, with every reason"},
    422: {"model": Problem, "description": "Not understood, with every fault"},
}


class _Document(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class DeviceCode(_Document):
    """A one-time code for this device."""

    code: Annotated[str, StringConstraints(max_length=32)]
    name: Annotated[str, StringConstraints(min_length=1, max_length=40)] = "Tablet"


class SignIn(_Document):
    """Staff id and PIN."""

    actor: Annotated[str, StringConstraints(max_length=64)]
    pin: Annotated[str, StringConstraints(max_length=8)]


class FactMade(_Document):
    """A fact that a command made."""

    id: UUID
    kind: str
    subject: str


class Signature(_Document):
    """What a diver wrote under these figures: initials, or a stroke as points on a field 1000 units wide."""

    key: UUID
    version: Annotated[int, Field(ge=0)] | None = None
    oxygen_percent: Percent
    helium_percent: Percent = 0.0
    how: HowSigned
    mark: Annotated[str, StringConstraints(min_length=1, max_length=LONGEST_STROKE)]


class OutcomeDocument(_Document):
    """What a command made. `is_repeat`: the key was known, nothing new was written."""

    facts: tuple[FactMade, ...]
    visit_id: UUID | None
    visit_ids: tuple[UUID, ...]
    cylinder_id: UUID | None
    is_repeat: bool

    @classmethod
    def of(cls, outcome: Outcome) -> OutcomeDocument:
        """The document of an outcome."""
        facts = tuple(FactMade(id=r.id, kind=r.kind, subject=r.subject) for r in outcome.records)
        return cls(
            facts=facts,
            visit_id=next(iter(outcome.visit_ids), None),
            visit_ids=outcome.visit_ids,
            cylinder_id=outcome.cylinder_id,
            is_repeat=outcome.is_repeat,
        )


class VisitDocument(_Document):
    """A visit on the floor."""

    visit_id: UUID
    tag: int
    step: str
    version: int
    cylinder_id: UUID | None
    diver_ref: str | None
    gas: str
    held: str | None
    whip: int | None
    slot: int | None


class NearDocument(_Document):
    """A cylinder whose serial is near the one asked for; `why` names the signs that differ."""

    cylinder_id: UUID
    marks: Marks
    why: str
    distance: Annotated[int, Field(ge=0, le=2)]
    standing: Standing


class NewsDocument(_Document):
    """How this node stands to the network."""

    node: str
    epoch: str
    position: int
    feed_hash: str
    standing_digest: str
    link: str
    heard_at: dt.datetime | None
    unsent: int
    trouble: str


@router.post("/api/device", tags=["node"], summary="Enrol this device by its one-time code")
def enrol_device(asked: DeviceCode, node: TheNode, request: Request) -> Response:
    """Sets the device cookie. 403 when the code is not good."""
    try:
        token = node.people.enrol_device(asked.code, name=asked.name)
    except SignInRefused as refused:
        return problem(403, "Not enrolled", str(refused))
    response = JSONResponse({"enrolled": True})
    set_cookie(request, response, DEVICE_COOKIE, token, DEVICE_LASTS_S)
    return response


@router.post("/api/session", tags=["node"], summary="Sign in with a PIN on an enrolled device")
def sign_in(asked: SignIn, node: TheNode, request: Request) -> Response:
    """Sets the session cookie. 403 with words for the person when the PIN is wrong."""
    try:
        token = node.people.sign_in(
            device_token=request.cookies.get(DEVICE_COOKIE), actor_id=asked.actor, pin=asked.pin
        )
    except SignInRefused as refused:
        return problem(403, "Not signed in", str(refused))
    response = JSONResponse({"signed_in": True})
    set_cookie(request, response, SESSION_COOKIE, token, None)
    return response


@router.post("/api/commands", tags=["node"], summary="Ask for something to be recorded", responses=_REFUSALS)
def post_command(command: Annotated[Command, Body()], node: TheNode, session: SignedIn) -> OutcomeDocument:
    """Decided and recorded before it answers. The same key again gives the same answer and writes nothing."""
    if isinstance(command, SignContents):
        words = "What a diver writes is kept here first: post it to /api/visits/{visit_id}/signature."
        raise Refused([Reason("sign.where", words, "input")])
    return OutcomeDocument.of(node.desk.handle(command, session.person.actor))


@router.post(
    "/api/visits/{visit_id}/signature",
    tags=["node"],
    summary="The diver signs the analysis",
    responses=_REFUSALS,
)
def sign_analysis(visit_id: UUID, asked: Signature, node: TheNode, session: SignedIn) -> OutcomeDocument:
    """What they wrote stays in this shop's folder; the fact says that they signed, for which figures, and a hash."""
    signing = Signing(
        asked.key, visit_id, asked.version, asked.oxygen_percent, asked.helium_percent, asked.how, asked.mark
    )
    return OutcomeDocument.of(sign_for(node.desk, node.signatures, session.person.actor, signing))


@router.put(
    "/api/divers/{diver_ref}", tags=["node"], summary="Keep a diver's card; it is handed to the vault"
)
def keep_diver(diver_ref: str, card: DiverCard, node: TheNode, session: SignedIn) -> Response:
    """Works with the line cut; the card waits here until the vault has it."""
    if card.diver_ref != diver_ref:
        return problem(422, "Not understood", "The card is of another diver than the address.")
    node.divers.keep(card)
    node.sync.wake_push()
    return JSONResponse({"kept": True})


@router.get("/api/floor", tags=["node"], summary="Every cylinder on the floor", responses=_REFUSALS)
def floor(node: TheNode, session: SignedIn) -> tuple[VisitDocument, ...]:
    """By tag."""
    return tuple(
        VisitDocument(
            visit_id=v.id, tag=v.tag, step=v.step, version=v.version, cylinder_id=v.cylinder_id, diver_ref=v.diver_ref,
            gas=v.gas_in_it.words, held=v.held, whip=v.holds_whip, slot=v.slot,
        )
        for v in node.desk.open_visits()
    )  # fmt: skip


@router.get(
    "/api/cylinders",
    tags=["node"],
    summary="Find a cylinder by its serial, near readings included",
    responses=_REFUSALS,
)
def find_cylinders(
    serial: Annotated[str, Query(min_length=1, max_length=32)], node: TheNode, session: SignedIn
) -> tuple[NearDocument, ...]:
    """Nearest first, blocked before clear."""
    with node.store.reading() as c:
        found = look.near_serial(c, serial)
    return tuple(
        NearDocument(
            cylinder_id=one.cylinder_id, marks=one.marks, why=one.likeness.why, distance=one.likeness.distance,
            standing=one.standing,
        )
        for one in found
    )  # fmt: skip


@router.get("/api/cylinders/{cylinder_id}/standing", tags=["node"], summary="What is held against a cylinder")
def cylinder_standing(cylinder_id: UUID, node: TheNode, session: SignedIn) -> Response:
    """404 when the cylinder is on no record."""
    with node.store.reading() as c:
        found = standing_row(c, cylinder_id)
    if found is None:
        return problem(
            404, "Unknown cylinder", "No shop has recorded this cylinder. That is not a clearance."
        )
    return Response(found.model_dump_json(), media_type="application/json")


@router.get(
    "/api/news", tags=["node"], summary="How far this node is in step with the network", responses=_REFUSALS
)
def news(node: TheNode, session: SignedIn) -> NewsDocument:
    """Position, hashes, ages."""
    link = node.sync.link
    with node.store.reading() as c:
        row, backlog, digest = node_row(c), look.backlog(c), look.standing_digest(c)
    assert row is not None  # A node that serves has a log.
    return NewsDocument(
        node=node.settings.node, epoch=row.feed.epoch, position=row.feed.position, feed_hash=row.feed.feed_hash,
        standing_digest=digest, link=link.state, heard_at=news_heard_at(row, link), unsent=backlog.facts,
        trouble=why_in_doubt(row, link) or row.trouble or link.trouble,
    )  # fmt: skip


@router.get("/healthz", tags=["health"], summary="The process answers")
def healthz() -> Response:
    """200 while it runs."""
    return JSONResponse({"ok": True})


@router.get("/readyz", tags=["health"], summary="The log can be read, and the line is tried")
def readyz(node: TheNode) -> Response:
    """200 with the line's state; a cut line is no fault of the node, which goes on without it. 503 when nobody tries it."""
    if node.sync.link.has_ended:
        return problem(503, "Not ready", "The line to the hub has ended by a fault: start this node again.")
    with node.store.reading() as c:
        row = node_row(c)
    if row is None:
        return problem(503, "Not ready", "The log cannot be read.")
    link = node.sync.link
    return JSONResponse({"ready": True, "link": link.state, "trouble": row.trouble or link.trouble})


@router.get("/metrics", tags=["health"], summary="Prometheus metrics")
def metrics(node: TheNode) -> Response:
    """Text format."""
    return Response(generate_latest(registry(node)), media_type=CONTENT_TYPE_LATEST)
