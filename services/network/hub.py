"""The parts of a running hub, put together once and handed to everybody who needs them.

Owns nothing but the putting together. Must never read the clock or draw random numbers: it is given both.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from uuid import UUID

import structlog
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from eventlog.chain import Link
from network.admission import Admission
from network.background import Background
from network.beating import Digests
from network.beside import Beside, beside
from network.doorbell import Doorbell
from network.hearing import Hearing
from network.ingest import log_facts
from network.measures import Measures
from network.own_log import OwnLog
from network.redis_line import RedisLine
from network.settings import Settings
from network.store.database import Database
from network.store.pages import FeedHead, feed_head
from network.store.recorder import EnvelopeRecorder, open_recorder
from network.vault import Vault
from sync.at_hub import Appended

log = structlog.get_logger("hub")
Clock = Callable[[], dt.datetime]


@dataclass(frozen=True, slots=True)
class World:
    """What the pure parts may not reach for themselves: the clock, new ids, random bytes."""

    clock: Clock
    new_id: Callable[[], UUID]
    draw: Callable[[int], bytes]
    is_practice: bool = False
    """The clock is one for practice: every page says so."""


@dataclass(frozen=True, slots=True)
class Identity:
    """What the hub keeps in its data folder: its signing key, its log's incarnation, the vault's master key."""

    key: Ed25519PrivateKey
    inc: UUID
    master_key: bytes


@dataclass(frozen=True, slots=True)
class Hub:
    """Everything that the pages and the API work with."""

    settings: Settings
    world: World
    key: Ed25519PrivateKey
    database: Database
    recorder: EnvelopeRecorder
    own_log: OwnLog
    vault: Vault
    admission: Admission
    doorbell: Doorbell
    hearing: Hearing
    redis_line: RedisLine | None
    measures: Measures
    background: Background
    beside: Beside
    digests: Digests
    epoch: str

    def trouble(self) -> str | None:
        """Why nothing may be served: the database is an older one, or this process serves an epoch that has ended."""
        why = self.beside.fell_back()
        if why is None and self.doorbell.head is not None and self.doorbell.head.epoch != self.epoch:
            why = "A new epoch was begun while this process ran: start it again"
        self.measures.fallen_back.set(0 if why is None else 1)
        return why

    def fall_back(self, why: str) -> None:
        """Serve nothing from here on, until the operator gives the feed a new epoch."""
        if self.beside.fell_back() is None:
            log.error("rolled back", why=why)
        self.beside.note_fall(why)
        self.measures.fallen_back.set(1)

    def head(self) -> FeedHead:
        """Where the feed stands."""
        with self.database.transaction() as tx:
            return feed_head(tx)

    def announce(self, fresh: tuple[Link, ...], position: int) -> None:
        """After the commit: a log line a fact, the counters, and the bell."""
        log_facts(fresh)
        self.measures.count_facts(fresh, position)
        if fresh and self.redis_line is not None:
            self.redis_line.ring(position)

    def announce_own(self, appended: Appended) -> None:
        """The same for the hub's own facts."""
        self.announce(appended.verdict.fresh, appended.position)

    def close(self) -> None:
        """Let go of every connection."""
        if self.redis_line is not None:
            self.redis_line.close()
        self.database.close()


def put_together(settings: Settings, world: World, identity: Identity) -> Hub:
    """A hub over a migrated database, its own log begun. Raises psycopg.Error when the database is not there."""
    database = Database(settings.database_url)
    recorder = open_recorder(database)
    redis_line = None if settings.redis_url is None else RedisLine(settings.redis_url, world.clock)

    def look() -> FeedHead:
        with database.transaction() as tx:
            return feed_head(tx)

    with database.transaction() as tx:
        epoch = feed_head(tx).epoch
    hub = Hub(
        settings=settings,
        world=world,
        key=identity.key,
        database=database,
        recorder=recorder,
        own_log=OwnLog(recorder, identity.key, identity.inc, epoch),
        vault=Vault(database, identity.master_key, world.draw),
        admission=Admission(world.clock, redis_line),
        doorbell=Doorbell(database_url=settings.database_url, redis_url=settings.redis_url, look=look),
        hearing=Hearing(database),
        redis_line=redis_line,
        measures=Measures(),
        background=Background(),
        beside=beside(settings.data, identity.key),
        digests=Digests(database, world.clock),
        epoch=epoch,
    )
    opened: Appended | None = None
    if (
        hub.beside.fell_back() is None
    ):  # An older database may not know this incarnation: its numbers are taken.
        with database.transaction() as tx:
            now = world.clock()
            opened = hub.own_log.open(tx, opening_id=world.new_id(), name=settings.name, now=now)
    if opened is not None:
        hub.announce_own(opened)
    return hub
