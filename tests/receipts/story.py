"""An invented shop that records visits, and a hub that carries them: what the tests of the receipts are told.

The hub here is a twin of the real one's feed, vault and enrolment, over the same wire documents and signatures.
"""

from __future__ import annotations

import asyncio
import datetime as dt
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from threading import Thread
from uuid import UUID, uuid5

import httpx
import uvicorn
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pydantic import BaseModel, JsonValue
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from cylinder.facts import (
    ActorCertified,
    ContentsSigned,
    CylinderIdentified,
    CylinderReceived,
    DatesRead,
    Fact,
    FillCompleted,
    GasAnalysed,
    HandedOver,
    MixTakenAsMeasured,
)
from cylinder.marks import GasWanted, KeyedPressure, Marks
from eventlog.answer import sign_answer
from eventlog.envelope import Place, Sealed, seal
from eventlog.event import NO_HASH, Effect, Event, Seen
from eventlog.feed import next_feed_hash
from eventlog.hub_client import HubClient
from eventlog.keys import key_id, public_text
from eventlog.wire import (
    SIGNED_HEADER,
    DiverCard,
    Enrolled,
    Enrolment,
    FeedItem,
    FeedPage,
    HeadNews,
    WireEnvelope,
)

HANDED_OVER_ON = dt.date(2026, 6, 13)
AT = dt.datetime(2026, 6, 13, 9, 58, tzinfo=dt.UTC)
DIVER = "diver_ana_0001"
ANA = DiverCard(diver_ref=DIVER, name="Ana Ruiz", email="ana@divers.example")
_NAMES = UUID("7d9b0a2e-0000-4000-8000-000000000001")


def named(name: str) -> UUID:
    """The same id for the same name, in every run."""
    return uuid5(_NAMES, name)


def psi(value: float) -> KeyedPressure:
    return KeyedPressure(value=value, unit="psi")


def bar(value: float) -> KeyedPressure:
    return KeyedPressure(value=value, unit="bar")


_RATED = psi(3000)
_LEFT = psi(620)
_AIR_WANTED = GasWanted()
_MARKS = Marks(serial="B0471-8Q", maker="M1002", spec="3AL", first_test="2019-04")


@dataclass(frozen=True)
class Told:
    """One cylinder's visit, as much of it as a receipt shows."""

    tag: int = 14
    rated: KeyedPressure = _RATED
    end: KeyedPressure = _RATED
    start: KeyedPressure = _LEFT
    gas: GasWanted = _AIR_WANTED
    analysed: tuple[float, float] | None = None
    is_taken: bool = False
    is_signed: bool = False
    marks: Marks = _MARKS
    requalified: str | None = "2024-04"
    looked_inside: str | None = "2026-02"

    @property
    def visit_id(self) -> UUID:
        return named(f"visit {self.tag}")

    @property
    def cylinder_id(self) -> UUID:
        return named(f"cylinder {self.marks.serial}")

    def facts(self) -> list[Fact]:
        visit_id = self.visit_id
        told: list[Fact] = [
            CylinderReceived(visit_id=visit_id, tag=self.tag, gas=self.gas),
            CylinderIdentified(visit_id=visit_id, marks=self.marks, was_known=True),
            DatesRead(visit_id=visit_id, requalified=self.requalified, looked_inside=self.looked_inside),
            FillCompleted(
                visit_id=visit_id,
                end=self.end,
                start=self.start,
                target=self.rated,
                rated=self.rated,
                gas=self.gas,
            ),
        ]
        if self.analysed is not None:
            oxygen, helium = self.analysed
            told.append(GasAnalysed(visit_id=visit_id, oxygen_percent=oxygen, helium_percent=helium))
            if self.is_taken:
                told.append(
                    MixTakenAsMeasured(
                        visit_id=visit_id, oxygen_percent=oxygen, helium_percent=helium, wanted=self.gas,
                        finding="Told of the depth",
                    )
                )  # fmt: skip
            if self.is_signed:
                told.append(
                    ContentsSigned(
                        visit_id=visit_id, oxygen_percent=oxygen, helium_percent=helium, how="drawn", mark_sha256="5e" * 32
                    )
                )  # fmt: skip
        return told


NITROX = Told(
    tag=15,
    rated=psi(3442),
    end=psi(3442),
    start=psi(400),
    gas=GasWanted(oxygen_percent=32),
    analysed=(32.1, 0),
    marks=Marks(serial="X7710-2", maker="M1002", spec="3AA", first_test="2022-05"),
)
AIR = Told()


@dataclass
class Branch:
    """Signs facts one behind the other, as a shop's node does."""

    slug: str = "harbour"
    key: Ed25519PrivateKey = field(default_factory=Ed25519PrivateKey.generate)
    log: list[Sealed] = field(default_factory=list)

    def say(
        self, fact: Fact, *, subject: str, diver_ref: str | None = None, event_id: UUID | None = None
    ) -> Sealed:
        body: dict[str, JsonValue] = fact.model_dump(mode="json")
        return self.write(
            fact.KIND, body, Effect(fact.EFFECT), subject, diver_ref=diver_ref, event_id=event_id
        )

    def write(
        self,
        kind: str,
        body: dict[str, JsonValue],
        effect: Effect,
        subject: str,
        *,
        diver_ref: str | None = None,
        event_id: UUID | None = None,
    ) -> Sealed:
        event = Event(
            id=event_id or named(f"{self.slug} {len(self.log)}"),
            kind=kind,
            v=1,
            effect=effect,
            subject=subject,
            body=body,
            performed_on=HANDED_OVER_ON,
            at=AT,
            seen=Seen(),
            actor="jo",
            role="inspector" if effect == Effect.BLOCK else "operator",
            software="test",
            diver_ref=diver_ref,
        )
        prev = self.log[-1].hash if self.log else NO_HASH
        place = Place(self.slug, key_id(self.key.public_key()), named(self.slug), len(self.log) + 1, prev)
        sealed = seal(event, place, recorded_at=AT, key=self.key)
        self.log.append(sealed)
        return sealed

    def visit(self, told: Told, *, diver_ref: str | None = DIVER) -> list[Sealed]:
        return [
            self.say(fact, subject=f"cylinder/{told.cylinder_id}", diver_ref=diver_ref)
            for fact in told.facts()
        ]

    def hand_over(self, *all_told: Told, diver_ref: str | None = DIVER, name: str = "one") -> list[Sealed]:
        return [
            self.say(
                HandedOver(visit_id=told.visit_id, handover_id=named(f"hand-over {name}"), of=len(all_told)),
                subject=f"cylinder/{told.cylinder_id}",
                diver_ref=diver_ref,
            )
            for told in all_told
        ]


HUB_NODE = "hub"
READER = "receipts"


@dataclass
class HubTwin:
    """A feed, a vault and a door for one reader. `is_up` False answers 503 to everything."""

    key: Ed25519PrivateKey = field(default_factory=Ed25519PrivateKey.generate)
    epoch: str = "epoch-one"
    items: list[FeedItem] = field(default_factory=list)
    hashes: list[str] = field(default_factory=lambda: [NO_HASH])
    cards: dict[str, DiverCard] = field(default_factory=lambda: {DIVER: ANA})
    codes: set[str] = field(default_factory=lambda: {"code-0001"})
    is_up: bool = True
    looked_up: int = 0
    now: dt.datetime = AT
    clock: Callable[[], dt.datetime] | None = None
    """A real program asks with a real clock; without this the hub's time is `now`."""
    own: Branch = field(default_factory=lambda: Branch(slug=HUB_NODE))

    def time(self) -> dt.datetime:
        return self.now if self.clock is None else self.clock()

    def carry(self, *facts: Sealed, received_at: dt.datetime | None = None) -> None:
        for sealed in facts:
            wire = WireEnvelope.of(sealed)
            self.items.append(
                FeedItem(
                    position=len(self.items) + 1,
                    received_at=received_at or self.time(),
                    raw=wire.raw,
                    signature=wire.signature,
                )
            )
            self.hashes.append(next_feed_hash(self.hashes[-1], sealed.hash))

    def introduce(self, **body: JsonValue) -> None:
        """The hub's own fact about a shop."""
        self.carry(self.own.write("node.enrolled", body, Effect.NEUTRAL, f"node/{body['node']}"))

    def begin_epoch(self, name: str) -> None:
        """Restored: the same facts, counted anew."""
        self.epoch = name

    def client(self, http: httpx.AsyncClient, base_url: str = "http://hub.test") -> HubClient:
        return HubClient(
            http,
            base_url=base_url,
            node=READER,
            key=self.key,
            hub_public_key=self.key.public_key(),
            clock=lambda: self.now,
        )

    def app(self) -> Starlette:
        return Starlette(
            routes=[
                Route("/v1/feed", self._feed),
                Route("/v1/feed/bell", self._bell),
                Route("/v1/divers/{ref}", self._diver),
                Route("/v1/enrol", self._enrol, methods=["POST"]),
            ]
        )

    async def _feed(self, request: Request) -> Response:
        after, limit = int(request.query_params["after"]), int(request.query_params["limit"])
        is_ours = request.query_params["epoch"] in ("none", self.epoch)
        items = tuple(self.items[after : after + limit]) if is_ours else ()
        page = FeedPage(
            epoch=self.epoch,
            after=after,
            head=len(self.items),
            items=items,
            feed_hash=self.hashes[after + len(items)] if is_ours else NO_HASH,
            hub_time=self.time(),
        )
        return self._signed(page)

    async def _bell(self, request: Request) -> Response:
        async def strokes() -> AsyncIterator[str]:
            told = -1
            while not await request.is_disconnected():
                event = "beat" if told == len(self.items) else "head"
                told = len(self.items)
                yield f"event: {event}\ndata: {HeadNews(epoch=self.epoch, head=told).model_dump_json()}\n\n"
                await asyncio.sleep(0.05)

        return StreamingResponse(strokes(), media_type="text/event-stream")

    async def _diver(self, request: Request) -> Response:
        self.looked_up += 1
        card = self.cards.get(request.path_params["ref"])
        return self._problem(404) if card is None else self._signed(card)

    async def _enrol(self, request: Request) -> Response:
        said = Enrolment.model_validate_json(await request.body())
        if said.code not in self.codes:
            return self._problem(410)
        self.codes.discard(said.code)
        key = public_text(self.key.public_key())
        return self._signed(
            Enrolled(node=READER, name="Receipts", epoch=self.epoch, hub_node=HUB_NODE, hub_public_key=key)
        )

    def _signed(self, document: BaseModel, status: int = 200) -> Response:
        if not self.is_up:
            return Response("down", status_code=503)
        body = document.model_dump_json().encode()
        return Response(body, status, {SIGNED_HEADER: sign_answer(body, self.key)}, "application/json")

    def _problem(self, status: int) -> Response:
        return self._signed(_Problem(title="No", detail="not here"), status)


class _Problem(BaseModel):
    title: str
    detail: str


class _Quiet(uvicorn.Server):
    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


@contextmanager
def serving(app: Starlette) -> Iterator[str]:
    """Serve over real HTTP in a thread, on a free port; gives the URL."""
    server = _Quiet(
        uvicorn.Config(
            app, host="127.0.0.1", port=0, log_config=None, timeout_graceful_shutdown=1, lifespan="off"
        )
    )
    thread = Thread(target=server.run)
    thread.start()
    try:
        while not server.started:
            assert thread.is_alive()
            thread.join(0.01)
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(10)


def known_as(actor_id: str, name: str) -> ActorCertified:
    return ActorCertified(actor_id=actor_id, known_as=name, role="operator")


def now_utc() -> dt.datetime:
    return dt.datetime.now(dt.UTC)
