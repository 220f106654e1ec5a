"""A shop for tests: a key, a log of its own, and the hub that it talks to."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from threading import Thread
from uuid import UUID

import httpx
import uvicorn
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pydantic import JsonValue

from eventlog.chain import LOG_OPENED, Head
from eventlog.checkpoint import parse_checkpoint
from eventlog.envelope import Place, Sealed, seal
from eventlog.event import Effect, Event, Seen
from eventlog.hub_client import HubClient
from eventlog.keys import key_id, public_text
from eventlog.wire import Push, WireEnvelope
from network.admission import Rate
from network.app import make_app
from network.checkpoints import SIGN_EVERY, Signed, sign_next
from network.enrolment import LetIn, let_in, offer
from network.hub import Hub, Identity, World, put_together
from network.settings import Settings
from network.store import feed_tree
from network.store.database import Database
from network.store.migrate import migrate
from network.store.pages import feed_head

TEN_MINUTES = dt.timedelta(minutes=10)


def now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)


@dataclass
class Shop:
    """Makes signed envelopes as a branch does."""

    slug: str
    key: Ed25519PrivateKey = field(default_factory=Ed25519PrivateKey.generate)
    inc: UUID = field(default_factory=uuid.uuid4)
    log: list[Sealed] = field(default_factory=list)

    @property
    def head(self) -> Head:
        return Head(self.inc, len(self.log), self.log[-1].hash) if self.log else Head(self.inc)

    def open(self) -> Sealed:
        return self.record(LOG_OPENED, {"parent": None, "reason": "first"}, subject=f"node/{self.slug}")

    def record(
        self,
        kind: str = "cylinder.received",
        body: dict[str, JsonValue] | None = None,
        *,
        subject: str = "cylinder/c-1",
        effect: Effect = Effect.NEUTRAL,
        event_id: UUID | None = None,
        seen: Seen | None = None,
    ) -> Sealed:
        event = Event(
            id=event_id or uuid.uuid4(),
            kind=kind,
            v=1,
            effect=effect,
            subject=subject,
            body=body or {},
            performed_on=now().date(),
            at=now(),
            seen=seen or Seen(),
            actor="sam",
            role="operator",
            software="test",
        )
        return self.append(event)

    def append(self, event: Event) -> Sealed:
        head = self.head
        place = Place(self.slug, key_id(self.key.public_key()), self.inc, head.seq + 1, head.hash)
        sealed = seal(event, place, recorded_at=now(), key=self.key)
        self.log.append(sealed)
        return sealed

    def push_body(self, run: list[Sealed]) -> bytes:
        return Push(envelopes=tuple(WireEnvelope.of(one) for one in run)).model_dump_json().encode()


def hub_settings(
    database_url: str, data: Path, *, redis_url: str | None = None, rate: Rate | None = None
) -> Settings:
    return Settings(
        data=data,
        database_url=database_url,
        redis_url=redis_url,
        host="127.0.0.1",
        port=0,
        name="Test network",
        pushes=rate or Rate(per_second=10_000, burst=10_000),
        is_https=False,
    )


def world() -> World:
    return World(clock=now, new_id=uuid.uuid4, draw=lambda n: uuid.uuid4().bytes[:n].ljust(n, b"x"))


def new_identity() -> Identity:
    return Identity(key=Ed25519PrivateKey.generate(), inc=uuid.uuid4(), master_key=b"m" * 32)


def make_hub(settings: Settings, identity: Identity | None = None) -> Hub:
    database = Database(settings.database_url)
    migrate(database, now=now(), epoch=uuid.uuid4().hex)
    database.close()
    return put_together(settings, world(), identity or new_identity())


def let_shop_in(hub: Hub, shop: Shop, *, role: str = "branch") -> None:
    code = uuid.uuid4().hex
    with hub.database.transaction() as tx:
        offer(
            tx,
            code,
            slug=shop.slug,
            name=shop.slug.title(),
            role="reader" if role == "reader" else "branch",
            expires_at=now() + TEN_MINUTES,
        )
        found = let_in(
            tx, hub.own_log, code, public_text(shop.key.public_key()), fact_id=uuid.uuid4(), now=now()
        )
    assert isinstance(found, LetIn)
    hub.announce_own(found.appended)


@dataclass(frozen=True)
class Served:
    """A hub that answers on a port."""

    hub: Hub
    url: str
    http: httpx.AsyncClient

    def client(self, shop: Shop, *, clock_off_by: dt.timedelta = dt.timedelta(0)) -> HubClient:
        return HubClient(
            self.http,
            base_url=self.url,
            node=shop.slug,
            key=shop.key,
            hub_public_key=self.hub.key.public_key(),
            clock=lambda: now() + clock_off_by,
        )


class _Quiet(uvicorn.Server):
    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


@contextmanager
def serving(hub: Hub) -> Iterator[Served]:
    """Serve over real HTTP in a thread, on a free port."""
    config = uvicorn.Config(
        make_app(hub),
        host="127.0.0.1",
        port=0,
        log_config=None,
        access_log=False,
        timeout_graceful_shutdown=1,
    )
    server = _Quiet(config)
    thread = Thread(target=server.run)
    thread.start()
    try:
        while not server.started:
            assert thread.is_alive()
            thread.join(0.01)
        port = server.servers[0].sockets[0].getsockname()[1]
        yield Served(hub, f"http://127.0.0.1:{port}", httpx.AsyncClient(trust_env=False))
    finally:
        hub.doorbell.stop_soon()
        server.should_exit = True
        thread.join(10)


def sign_all(hub: Hub, *, minutes: int) -> Signed:
    """A checkpoint over all there is, some minutes from now; the hub that is served may have been quicker."""
    with hub.database.transaction() as tx:
        found = sign_next(tx, hub.key, now=now() + minutes * SIGN_EVERY)
        if found is None:
            document = feed_tree.latest(tx, feed_head(tx).epoch)
            assert document is not None
            found = Signed(parse_checkpoint(document), document)
        assert found.checkpoint.position == feed_head(tx).position
    return found
