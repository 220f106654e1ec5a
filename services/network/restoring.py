"""A hub whose database is an older one: how it is noticed, and how it begins again under a new epoch.

Owns the task that keeps the high-water mark, the judgement of what nodes show, and the new epoch itself.
"""

from __future__ import annotations

import asyncio
import datetime as dt
from uuid import UUID

import psycopg
import structlog
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from psycopg_pool import PoolTimeout

from eventlog.wire import BeatAnswerDocument
from network.beside import Beside, fallen_behind, mark_of
from network.doorbell import Doorbell
from network.own_log import OwnLog
from network.store.database import Database, Tx
from network.store.log import PostgresHubLog, ReadingHubLog
from network.store.recorder import EnvelopeRecorder
from sync.at_hub import Appended

WRITE_EVERY_S = 1.0
LOOK_EVERY_S = 5.0
present_epoch_began = "select at from epoch where epoch = %s"

log = structlog.get_logger("restoring")


async def keep_mark(
    database: Database, recorder: EnvelopeRecorder, beside: Beside, doorbell: Doorbell, own_inc: UUID
) -> None:
    """Write down how far the feed has come, at most once a second, until the bell is stopped."""
    seen = -1
    while not doorbell.is_stopped:
        head = await doorbell.wait(beyond=seen, timeout_s=LOOK_EVERY_S)
        if head is None:
            continue
        await asyncio.to_thread(_keep_mark_once, database, recorder, beside, own_inc)
        seen = head.position
        await asyncio.sleep(WRITE_EVERY_S)
    await asyncio.to_thread(_keep_mark_once, database, recorder, beside, own_inc)


def _keep_mark_once(database: Database, recorder: EnvelopeRecorder, beside: Beside, own_inc: UUID) -> None:
    try:
        _mark_or_fall(database, recorder, beside, own_inc)
    except (psycopg.Error, PoolTimeout, OSError) as wrong:
        log.warning("high-water mark not written", error=type(wrong).__name__)


def _mark_or_fall(database: Database, recorder: EnvelopeRecorder, beside: Beside, own_inc: UUID) -> None:
    before = beside.mark()
    with database.transaction() as tx:
        tx.execute("set transaction isolation level repeatable read, read only")
        why = None if before is None else fallen_behind(tx, recorder, before)
        now = mark_of(tx, recorder, own_inc)
    if why is not None:
        # The database was exchanged under the running hub. The mark stays where it was.
        beside.note_fall(why)
        log.error("the database is an older one", why=why)
    elif now != before:
        beside.keep(now)


def proof_of_fall(tx: Tx, recorder: EnvelopeRecorder, shown: BeatAnswerDocument) -> str | None:
    """What an answer that this hub has signed proves: in words, how its database is an older one; None if it is not."""
    shared = ReadingHubLog(tx, recorder)
    end = shared.feed_end()
    if shown.epoch == end.epoch:
        if shared.feed_hash_at(shown.head) == shown.feed_hash:
            return None
        return f"this hub has signed another feed at position {shown.head} than its database holds"
    began = tx.execute(present_epoch_began, (end.epoch,)).fetchone()
    is_known = tx.execute(present_epoch_began, (shown.epoch,)).fetchone() is not None
    # An epoch that this database does not know was begun after the backup was made, unless the operator has begun
    # the present one since: then everybody is on the way to it already.
    if is_known or began is None or shown.hub_time <= began["at"]:
        return None
    return f"this hub has served epoch {shown.epoch}, which its database does not know"


def begin_epoch(
    database: Database,
    recorder: EnvelopeRecorder,
    key: Ed25519PrivateKey,
    *,
    epoch: str,
    inc: UUID,
    opening_id: UUID,
    name: str,
    now: dt.datetime,
) -> Appended:
    """Name the feed anew from where the database ends, and begin a new incarnation of the hub's own log there.

    Whoever reads the feed sees the name, finds the last position that it shares with this one, and gives back the
    rest. `inc` must be on the disk before this is called: the numbers of the one before may be taken already.
    """
    with database.transaction() as tx:
        PostgresHubLog(tx, recorder).set_epoch(epoch, now=now)
        opened = OwnLog(recorder, key, inc, epoch).open(
            tx, opening_id=opening_id, name=name, now=now, reason="restore"
        )
        assert opened is not None, "the incarnation is new"
        return opened
