"""The nightly audit: every authorised fill judged again over what its shop held then. It must find nothing, ever.

Owns the kept results and the task that runs it once a day. Must never change a fact, and never name a person.
"""

from __future__ import annotations

import asyncio
import datetime as dt
from uuid import UUID

import psycopg
import structlog
from psycopg_pool import PoolTimeout
from pydantic import BaseModel, ConfigDict

from cylinder.audit import Audited, Finding, audit
from cylinder.recorded import HUB
from eventlog.envelope import Malformed
from network.audit_log import NotReadable, read_to_audit
from network.doorbell import Doorbell
from network.hub import Clock
from network.measures import Measures
from network.store.database import Database, Tx

AUDIT_EVERY = dt.timedelta(days=1)
LOOK_EVERY_S = 60.0
NEVER = 1 << 62  # a position beyond every feed: only the time or the stop ends a wait for it

log = structlog.get_logger("audit")

keep_result = """
insert into fill_audit (at, epoch, position, fills, knew, cannot_say, document) values (%s, %s, %s, %s, %s, %s, %s)
on conflict (at) do nothing
"""
last_result = "select document from fill_audit order by at desc limit 1"


class BlockHeld(BaseModel):
    """Something that stood open against a cylinder."""

    model_config = ConfigDict(frozen=True)

    id: UUID
    kind: str
    words: str
    node: str
    performed_on: dt.date


class FillJudged(BaseModel):
    """One fill that is not beyond doubt, with what stood open against its cylinder by what the shop held."""

    model_config = ConfigDict(frozen=True)

    fill_id: UUID
    cylinder_id: UUID
    node: str
    position: int
    performed_on: dt.date
    seen_epoch: str
    seen_position: int
    blocks: tuple[BlockHeld, ...]


class AuditReport(BaseModel):
    """What one run found. `fills` are all authorised fills of the log; `knew` must be empty."""

    model_config = ConfigDict(frozen=True)

    at: dt.datetime
    epoch: str
    position: int
    fills: int
    could_not_have_known: int
    knew: tuple[FillJudged, ...]
    cannot_say: tuple[FillJudged, ...]


def audit_fills(database: Database, *, now: dt.datetime) -> AuditReport:
    """Judge every fill of the log as it is committed now, and keep what was found."""
    with database.transaction() as tx:
        tx.execute("set transaction isolation level repeatable read, read only")
        tx.execute("set local statement_timeout = 0")
        tx.execute(
            "set local idle_in_transaction_session_timeout = 0"
        )  # envelopes are read between two queries
        found = read_to_audit(tx)
    judged = audit(found.written, found.opened, found.feed, hub=HUB)
    report = AuditReport(
        at=now,
        epoch=found.head.epoch,
        position=found.head.position,
        fills=found.fills,
        could_not_have_known=sum(one.finding is Finding.UNKNOWABLE for one in judged),
        knew=tuple(_judged(one) for one in judged if one.finding is Finding.KNEW),
        cannot_say=tuple(_judged(one) for one in judged if one.finding is Finding.CANNOT_SAY),
    )
    with database.transaction() as tx:
        tx.execute(keep_result, _columns(report))
    return report


def last_audit(tx: Tx) -> AuditReport | None:
    """The result of the last run."""
    row = tx.execute(last_result).fetchone()
    return None if row is None else AuditReport.model_validate_json(row["document"])


async def keep_auditing(database: Database, doorbell: Doorbell, measures: Measures, clock: Clock) -> None:
    """Run once a day until the bell is stopped; the first time at once. What goes wrong is tried again."""
    while not doorbell.is_stopped:
        try:
            await asyncio.to_thread(audit_when_due, database, measures, now=clock())
        except (psycopg.Error, PoolTimeout, OSError, NotReadable, Malformed) as wrong:
            log.warning("not audited", error=type(wrong).__name__)
        await doorbell.wait(beyond=NEVER, timeout_s=LOOK_EVERY_S)


def audit_when_due(database: Database, measures: Measures, *, now: dt.datetime) -> None:
    """Judge all fills when the last time is a day ago, and measure what was found last."""
    with database.transaction() as tx:
        found = last_audit(tx)
    if found is None or now - found.at >= AUDIT_EVERY:
        found = audit_fills(database, now=now)
        log.info("audited", position=found.position, fills=found.fills, cannot_say=len(found.cannot_say))
        for one in found.knew:
            log.error("knew, and filled", node=one.node, fill=str(one.fill_id), position=one.position)
    measures.note_audit(found.at, knew=len(found.knew), cannot_say=len(found.cannot_say))


def _judged(one: Audited) -> FillJudged:
    return FillJudged(
        fill_id=one.fill_id,
        cylinder_id=one.cylinder_id,
        node=one.node,
        position=one.position,
        performed_on=one.performed_on,
        seen_epoch=one.seen.epoch,
        seen_position=one.seen.position,
        blocks=tuple(
            BlockHeld(**block.model_dump(include=set(BlockHeld.model_fields))) for block in one.blocks
        ),
    )


def _columns(report: AuditReport) -> tuple[object, ...]:
    counts = (report.fills, len(report.knew), len(report.cannot_say))
    return (report.at, report.epoch, report.position, *counts, report.model_dump_json())
