"""When each node last asked the hub for anything, and how far it has absorbed the feed.

Kept in memory and written down now and then: it says how fresh a shop is, and decides nothing.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from threading import Lock

import psycopg
import structlog
from psycopg_pool import PoolTimeout

from network.store.database import Database

WRITE_EVERY = dt.timedelta(seconds=10)

put_contact = """
insert into node_contact (node, heard_at, position) values (%s, %s, %s)
on conflict (node) do update set heard_at = excluded.heard_at, position = excluded.position
"""
every_contact = "select node, heard_at, position from node_contact"

log = structlog.get_logger("hearing")


@dataclass(frozen=True, slots=True)
class Contact:
    """A node was heard at this time and had read the feed up to there."""

    heard_at: dt.datetime
    position: int = 0


@dataclass(slots=True)
class Hearing:
    """What this process has heard, over what was written down before."""

    database: Database
    _heard: dict[str, Contact] = field(default_factory=dict)
    _written: dict[str, dt.datetime] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)

    def note(self, node: str, *, now: dt.datetime, position: int | None = None) -> None:
        """A node asked for something; `position` when it asked for what follows there. Never raises."""
        with self._lock:
            before = self._heard.get(node)
            kept = before.position if before is not None else 0
            contact = Contact(now, kept if position is None else position)
            self._heard[node] = contact
            last = self._written.get(node)
            if last is not None and now - last < WRITE_EVERY:
                return
            self._written[node] = now
        try:
            with self.database.transaction() as tx:
                tx.execute(put_contact, (node, contact.heard_at, contact.position))
        except (psycopg.Error, PoolTimeout) as wrong:
            log.warning("contact not written", node=node, error=type(wrong).__name__)

    def contacts(self) -> dict[str, Contact]:
        """The latest contact of every node that was ever heard."""
        with self.database.transaction() as tx:
            rows = tx.execute(every_contact).fetchall()
        written = {str(row["node"]): Contact(row["heard_at"], row["position"]) for row in rows}
        with self._lock:
            return written | self._heard
