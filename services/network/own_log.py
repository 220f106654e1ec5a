"""The hub is a node too: its own key, its own incarnation, its own facts in the shared log.

Owns how the hub's facts are sealed. Must never write around `sync.at_hub.append`: the hub's facts are judged like
everybody's.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pydantic import JsonValue

from eventlog.chain import LOG_OPENED, Link
from eventlog.envelope import Place, seal
from eventlog.event import Effect, Event, Seen
from eventlog.keys import key_id, public_text
from network.store.database import Tx
from network.store.log import PostgresHubLog
from network.store.nodes import HUB as HUB
from network.store.nodes import NODE_ENROLLED as NODE_ENROLLED
from network.store.nodes import Node, enrol_node
from network.store.pages import feed_head
from network.store.recorder import EnvelopeRecorder
from sync.at_hub import Appended, append
from sync.opening import link_of

SOFTWARE = "filltrail-0.1.0"

latest_log_of_node = """
select inc, seq, hash from log_head where node = %s and seq > 0 order by heard_at desc, inc limit 1
"""


class AnotherEpoch(Exception):
    """A new epoch was begun while this process ran: it must be started again, with the hub's new incarnation."""


@dataclass(frozen=True, slots=True)
class Statement:
    """A fact the hub is about to record."""

    id: UUID
    kind: str
    subject: str
    body: dict[str, JsonValue]
    effect: Effect = Effect.NEUTRAL
    actor: str = HUB
    role: str = HUB
    clears: tuple[UUID, ...] = ()
    v: int = 1


@dataclass(frozen=True, slots=True)
class OwnLog:
    """Writes the hub's facts."""

    recorder: EnvelopeRecorder
    key: Ed25519PrivateKey
    inc: UUID
    epoch: str

    def open(
        self, tx: Tx, *, opening_id: UUID, name: str, now: dt.datetime, reason: str = "new_key"
    ) -> Appended | None:
        """Begin this incarnation, once; None when it has begun already. `reason` says why it follows another one."""
        if PostgresHubLog(tx, self.recorder).head(HUB, self.inc, now=now).seq > 0:
            return None
        public_key = self.key.public_key()
        me = Node(HUB, name, "hub", public_text(public_key), key_id(public_key))
        enrol_node(tx, me, now=now)
        row = tx.execute(latest_log_of_node, (HUB,)).fetchone()
        parent: JsonValue = None
        if row is not None:
            parent = {"inc": str(row["inc"]), "seq": row["seq"], "hash": bytes(row["hash"]).hex()}
        body: dict[str, JsonValue] = {
            "parent": parent,
            "reason": "first" if parent is None else reason,
            "public_key": me.public_key,
        }
        return self.write(tx, [Statement(opening_id, LOG_OPENED, f"node/{HUB}", body)], now=now)

    def write(self, tx: Tx, statements: Sequence[Statement], *, now: dt.datetime) -> Appended:
        """Seal facts behind the hub's head and append them. Raises AnotherEpoch."""
        log = PostgresHubLog(tx, self.recorder)
        head = log.head(HUB, self.inc, now=now)
        stands = feed_head(tx)
        if stands.epoch != self.epoch:
            raise AnotherEpoch(
                f"the feed is named {stands.epoch} now, and this process began under {self.epoch}"
            )
        seen = Seen(epoch=stands.epoch, position=stands.position, feed_hash=stands.feed_hash)
        run: list[Link] = []
        before = head.hash
        for seq, statement in enumerate(statements, start=head.seq + 1):
            place = Place(HUB, key_id(self.key.public_key()), self.inc, seq, before)
            sealed = seal(_event(statement, seen, now), place, recorded_at=now, key=self.key)
            run.append(link_of(sealed))
            before = sealed.hash
        appended = append(log, run, now=now)
        assert appended.verdict.answer == "accepted", appended.verdict
        return appended


def _event(statement: Statement, seen: Seen, now: dt.datetime) -> Event:
    return Event(
        id=statement.id,
        kind=statement.kind,
        v=statement.v,
        effect=statement.effect,
        subject=statement.subject,
        body=statement.body,
        performed_on=now.date(),
        at=now,
        seen=seen,
        actor=statement.actor,
        role=statement.role,
        software=SOFTWARE,
        clears=statement.clears,
    )
