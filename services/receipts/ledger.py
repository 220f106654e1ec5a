"""What the receipts worker remembers: how far it has read the feed, open visits, and the fate of every receipt.

A cursor and the rows that follow from its page move in one transaction. No name and no address is ever written
here: a diver is a random reference until the moment of sending.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Literal, get_args
from uuid import UUID

from cylinder.recorded import Recorded, origin_of, recorded
from eventlog.envelope import read
from eventlog.feed import Cursor
from receipts import recalling
from receipts.arrival import Arrival
from receipts.recalling import CalledBack
from receipts.shop import Shop

State = Literal["due", "sending", "sent", "unknown", "refused", "dropped"]
STATES: tuple[State, ...] = get_args(State)
MOST_DOUBTS = 2
"""The first attempt whose end we did not see, and one repeat of it under the same Message-ID."""
OLDEST_NEWS = dt.timedelta(days=3)
"""A hand-over that reached the hub longer ago is no news. It also keeps an emptied ledger from mailing years again."""
MOST_LISTED = 200
LOCK_TIMEOUT_S = 10.0

cursor_stands = "select epoch, position, feed_hash from cursor"
move_cursor = "update cursor set epoch = ?, position = ?, feed_hash = ?"
is_closed = "select 1 from closed_visit where visit_id = ? and node = ?"
keep_fact = "insert or ignore into fact (id, node, visit_id, raw) values (?, ?, ?, ?)"
file_fact = "insert or ignore into filed (subject, id, raw) values (?, ?, ?)"
has_filed = "select count(*) from sqlite_master where type = 'table' and name in ('filed', 'place')"
close_visit = "insert or ignore into closed_visit (visit_id, node, handover_id) values (?, ?, ?)"
forget_visit = "delete from fact where visit_id = ? and node = ?"
handed_so_far = "select count(*) from closed_visit where handover_id = ? and node = ?"
whose_handover = "select node from closed_visit where handover_id = ? order by rowid limit 1"
add_receipt = """
insert or ignore into receipt (handover_id, node, diver_ref, state, reason, due_at, next_try_at, changed_at)
values (:handover_id, :node, :diver_ref, :state, :reason, :now, :now, :now)
"""
know_shop = """
insert into shop (node, name, phone, reply_to) values (?, ?, ?, ?)
on conflict (node) do update set name = excluded.name, phone = excluded.phone, reply_to = excluded.reply_to
"""
know_person = """
insert into person (actor_id, node, known_as) values (?, ?, ?)
on conflict (actor_id) do update set known_as = excluded.known_as where person.node = excluded.node
"""
RECEIPT_COLUMNS = "handover_id, node, diver_ref, state, attempts, doubts, due_at, next_try_at, reason"
first_due = f"""
select {RECEIPT_COLUMNS} from receipt where state = 'due' and next_try_at <= ?
order by next_try_at, due_at, handover_id limit 1
"""
one_receipt = f"select {RECEIPT_COLUMNS} from receipt where handover_id = ?"
next_try = "select min(next_try_at) from receipt where state = 'due'"
interrupted = f"select {RECEIPT_COLUMNS} from receipt where state = 'sending' order by handover_id"
for_a_person = f"""
select {RECEIPT_COLUMNS} from receipt where state in ('unknown', 'refused')
order by changed_at desc, handover_id limit ?
"""
counts_by_state = "select state, count(*) from receipt group by state"
put_state = """
update receipt set state = :state, attempts = :attempts, doubts = :doubts, next_try_at = :next_try_at,
    reason = :reason, changed_at = :now
where handover_id = :handover_id and state = :before
"""
start_afresh = """
update receipt set state = 'due', attempts = 0, doubts = 0, due_at = :now, next_try_at = :now, changed_at = :now
where handover_id = :handover_id and state = 'unknown'
"""
facts_of_handover = """
select f.raw from fact f join closed_visit v on v.visit_id = f.visit_id and v.node = f.node
join receipt r on r.handover_id = v.handover_id and r.node = v.node
where v.handover_id = ? order by f.arrived
"""
facts_filed = "select raw from filed where subject = ? order by id"
forget_handover = """
delete from fact where (visit_id, node) in (
    select v.visit_id, v.node from closed_visit v join receipt r on r.handover_id = v.handover_id and r.node = v.node
    where v.handover_id = ?
)
"""
shop_of_node = "select node, name, phone, reply_to from shop where node = ?"
name_of_person = "select known_as from person where actor_id = ?"


@dataclass(frozen=True, slots=True)
class Receipt:
    """One hand-over's mail. `doubts` counts attempts that may have delivered it without our seeing so."""

    handover_id: UUID
    node: str
    diver_ref: str
    state: State
    attempts: int
    doubts: int
    due_at: dt.datetime
    next_try_at: dt.datetime
    reason: str


class Ledger:
    """The SQLite file. One process at a time; its threads share one connection behind a lock."""

    def __init__(self, path: Path) -> None:
        self._lock = threading.Lock()
        self._db = sqlite3.connect(
            path, timeout=LOCK_TIMEOUT_S, isolation_level=None, check_same_thread=False
        )
        self._db.execute("pragma journal_mode = wal")
        # FULL: what is marked `sending` must be on disk before the first byte of the mail leaves.
        self._db.execute("pragma synchronous = full")
        is_of_older_software = self._db.execute(has_filed).fetchone()[0] < 2
        self._db.executescript(resources.files("receipts").joinpath("ledger.sql").read_text("utf-8"))
        if is_of_older_software:  # What it did not keep is in the feed; a new file is at its start anyway.
            self.begin_again()

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._db.close()

    def cursor(self) -> Cursor:
        """Where this worker stands in the feed."""
        with self._transaction() as db:
            return Cursor(*db.execute(cursor_stands).fetchone())

    def begin_again(self) -> None:
        """The hub has a new epoch: read from its start. Receipts stay, so nothing that was sent is sent again."""
        with self._transaction() as db:
            start = Cursor()
            db.execute(move_cursor, (start.epoch, start.position, start.feed_hash))

    def absorb(
        self, arrivals: Sequence[Arrival], after: Cursor, *, hub_time: dt.datetime, now: dt.datetime
    ) -> None:
        """One page: its rows and the cursor behind it, or nothing of it. A fact that came before changes nothing."""
        with self._transaction() as db:
            for arrival in arrivals:
                _take(db, arrival, hub_time - arrival.received_at, now)
                recalling.note(db, arrival)
            recalling.call_back(db, arrivals, hub_time=hub_time, now=now)
            db.execute(move_cursor, (after.epoch, after.position, after.feed_hash))

    def first_due(self, now: dt.datetime) -> Receipt | None:
        """The receipt that has waited longest for its next attempt."""
        with self._transaction() as db:
            row = db.execute(first_due, (_text(now),)).fetchone()
        return None if row is None else _receipt(row)

    def next_try_at(self) -> dt.datetime | None:
        """When the next attempt is due, if any receipt waits."""
        with self._transaction() as db:
            found = db.execute(next_try).fetchone()[0]
        return None if found is None else dt.datetime.fromisoformat(found)

    def receipt(self, handover_id: UUID) -> Receipt | None:
        """One receipt."""
        with self._transaction() as db:
            row = db.execute(one_receipt, (str(handover_id),)).fetchone()
        return None if row is None else _receipt(row)

    def mark_sending(self, handover_id: UUID, now: dt.datetime) -> None:
        """From here until its end is seen, the mail may have been delivered."""
        self._put(handover_id, "sending", "due", now, doubt=+1)

    def put_back(
        self,
        handover_id: UUID,
        *,
        before: Literal["due", "sending"],
        at: dt.datetime,
        reason: str,
        now: dt.datetime,
    ) -> None:
        """Not delivered, for certain, and worth another attempt at `at`."""
        self._put(
            handover_id,
            "due",
            before,
            now,
            reason=reason,
            at=at,
            tried=1,
            doubt=-1 if before == "sending" else 0,
        )

    def doubt(self, handover_id: UUID, *, at: dt.datetime, reason: str, now: dt.datetime) -> Receipt:
        """The end of an attempt was not seen: one repeat at `at`, and after that a person must look."""
        found = self.receipt(handover_id)
        assert found is not None, handover_id
        state: State = "due" if found.doubts < MOST_DOUBTS else "unknown"
        self._put(handover_id, state, "sending", now, reason=reason, at=at, tried=1)
        after = self.receipt(handover_id)
        assert after is not None, handover_id
        return after

    def interrupted(self) -> tuple[Receipt, ...]:
        """Receipts that a crash left in the middle of an attempt."""
        with self._transaction() as db:
            return tuple(_receipt(row) for row in db.execute(interrupted).fetchall())

    def settle(
        self, handover_id: UUID, state: State, *, before: State, reason: str, now: dt.datetime
    ) -> None:
        """The end of a receipt. What it was written from is forgotten, unless a person may yet ask for it again."""
        self._put(handover_id, state, before, now, reason=reason)

    def ask_again(self, handover_id: UUID, *, now: dt.datetime) -> None:
        """A person wants an unknown one sent once more: it starts afresh, under the same Message-ID."""
        with self._transaction() as db:
            db.execute(start_afresh, {"handover_id": str(handover_id), "now": _text(now)})

    def counts(self) -> dict[State, int]:
        """How many receipts stand in each state."""
        with self._transaction() as db:
            found = dict(db.execute(counts_by_state).fetchall())
        return {state: found.get(state, 0) for state in STATES}

    def for_a_person(self) -> tuple[Receipt, ...]:
        """The latest receipts whose end somebody should look at."""
        with self._transaction() as db:
            return tuple(_receipt(row) for row in db.execute(for_a_person, (MOST_LISTED,)).fetchall())

    def facts_of_handover(self, handover_id: UUID) -> tuple[Recorded, ...]:
        """The facts of its visits, in the order of the shop's log."""
        return self._facts(facts_of_handover, str(handover_id))

    def filed(self, subject: str) -> tuple[Recorded, ...]:
        """What blocks or clears a cylinder, and what that rests on, from every shop, as far as the feed was read."""
        return self._facts(facts_filed, subject)

    def is_recall(self, letter_id: UUID) -> bool:
        """Whether this is a letter about cylinders found bad later, and no receipt of a hand-over."""
        with self._transaction() as db:
            return recalling.is_letter(db, letter_id)

    def called_back(self, letter_id: UUID) -> tuple[CalledBack, ...]:
        """What such a letter has to say by now."""
        with self._transaction() as db:
            return recalling.in_letter(db, letter_id)

    def shop(self, node: str) -> Shop:
        """The shop by its node; one that the hub has not introduced goes by its node's name."""
        with self._transaction() as db:
            row = db.execute(shop_of_node, (node,)).fetchone()
        return Shop(node=node, name=node) if row is None else Shop(*row)

    def known_as(self, actor_id: str) -> str:
        """The working name of one of the staff, or nothing."""
        with self._transaction() as db:
            row = db.execute(name_of_person, (actor_id,)).fetchone()
        return "" if row is None else str(row[0])

    def _facts(self, statement: str, key: str) -> tuple[Recorded, ...]:
        with self._transaction() as db:
            raws = [str(row[0]) for row in db.execute(statement, (key,)).fetchall()]
        envelopes = (read(raw.encode()) for raw in raws)
        return tuple(recorded(envelope.event, origin_of(envelope.place)) for envelope in envelopes)

    def _put(
        self,
        handover_id: UUID,
        state: State,
        before: State,
        now: dt.datetime,
        *,
        reason: str = "",
        at: dt.datetime | None = None,
        tried: int = 0,
        doubt: int = 0,
    ) -> None:
        with self._transaction() as db:
            was = _receipt(db.execute(one_receipt, (str(handover_id),)).fetchone())
            changed = db.execute(
                put_state,
                {
                    "handover_id": str(handover_id),
                    "state": state,
                    "before": before,
                    "attempts": was.attempts + tried,
                    "doubts": was.doubts + doubt,
                    "next_try_at": _text(at or was.next_try_at),
                    "reason": reason,
                    "now": _text(now),
                },
            )
            assert changed.rowcount == 1, f"{handover_id} is {was.state}, not {before}"
            if state in ("sent", "refused", "dropped"):
                db.execute(forget_handover, (str(handover_id),))

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._lock:
            self._db.execute("begin immediate")
            try:
                yield self._db
            except BaseException:
                self._db.execute("rollback")
                raise
            self._db.execute("commit")


def _take(db: sqlite3.Connection, arrival: Arrival, age: dt.timedelta, now: dt.datetime) -> None:
    if arrival.shop is not None:
        db.execute(
            know_shop, (arrival.shop.node, arrival.shop.name, arrival.shop.phone, arrival.shop.reply_to)
        )
    if arrival.person is not None:
        db.execute(know_person, (arrival.person.actor_id, arrival.node, arrival.person.known_as))
    for subject in arrival.filed_under:
        db.execute(file_fact, (subject, str(arrival.id), arrival.raw))
    visit = (str(arrival.visit_id), arrival.node)
    if arrival.visit_id is not None and db.execute(is_closed, visit).fetchone():
        return
    if arrival.visit_id is not None:
        db.execute(keep_fact, (str(arrival.id), arrival.node, str(arrival.visit_id), arrival.raw))
    if arrival.is_end_of_visit:
        handed = arrival.handed
        db.execute(close_visit, (*visit, None if handed is None else str(handed.handover_id)))
        if handed is None:
            db.execute(forget_visit, visit)
        else:
            _count_handed(db, arrival, age, now)


def _count_handed(db: sqlite3.Connection, arrival: Arrival, age: dt.timedelta, now: dt.datetime) -> None:
    """A receipt is due once every cylinder of the hand-over has arrived."""
    handed = arrival.handed
    assert handed is not None
    # Its id is random: nobody can have named it before its own shop did, and no other shop has a say in its receipt.
    if db.execute(whose_handover, (str(handed.handover_id),)).fetchone()[0] != arrival.node:
        return
    if db.execute(handed_so_far, (str(handed.handover_id), arrival.node)).fetchone()[0] < handed.of:
        return
    state, reason = "due", ""
    if arrival.diver_ref is None:
        state, reason = "dropped", "the hand-over names no diver"
    elif age > OLDEST_NEWS:
        state, reason = "dropped", f"reached the hub more than {OLDEST_NEWS.days} days ago"
    db.execute(
        add_receipt,
        {
            "handover_id": str(handed.handover_id),
            "node": arrival.node,
            "diver_ref": arrival.diver_ref or "",
            "state": state,
            "reason": reason,
            "now": _text(now),
        },
    )
    if state == "dropped":
        db.execute(forget_handover, (str(handed.handover_id),))


def _receipt(row: Sequence[str | int]) -> Receipt:
    handover_id, node, diver_ref, state, attempts, doubts, due_at, next_try_at, reason = row
    return Receipt(
        handover_id=UUID(str(handover_id)),
        node=str(node),
        diver_ref=str(diver_ref),
        state=next(known for known in STATES if known == state),
        attempts=int(attempts),
        doubts=int(doubts),
        due_at=dt.datetime.fromisoformat(str(due_at)),
        next_try_at=dt.datetime.fromisoformat(str(next_try_at)),
        reason=str(reason),
    )


def _text(at: dt.datetime) -> str:
    """UTC with all six decimals, so that texts compare as the times do."""
    return at.astimezone(dt.UTC).isoformat(timespec="microseconds")
