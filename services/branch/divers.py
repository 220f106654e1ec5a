"""Divers' cards at this shop: name and address under lease from the hub's vault, never part of a fact."""

from __future__ import annotations

from branch.store import BranchStore
from branch.store.rows import Cursor, text
from eventlog.wire import DiverCard

MOST_FOUND = 20


class Divers:
    """The cards that this shop has seen. New ones wait here until the vault has them."""

    def __init__(self, store: BranchStore) -> None:
        self._store = store

    def keep(self, card: DiverCard, *, is_sent: bool = False) -> None:
        """Remember a card; unless it came from the vault, it is sent there."""
        with self._store.writing() as tx:
            tx.c.execute(_KEEP, (card.diver_ref, card.name, card.email, card.phone, int(is_sent)))

    def find(self, words: str) -> tuple[DiverCard, ...]:
        """Cards whose name, phone or address holds `words`, by name."""
        pattern = f"%{words.strip().replace('%', '').replace('_', '')}%"
        with self._store.reading() as c:
            c.execute(_FIND, (pattern, pattern, pattern, MOST_FOUND))
            return _cards(c)

    def card(self, diver_ref: str | None) -> DiverCard | None:
        """One card."""
        with self._store.reading() as c:
            c.execute(
                "select diver_ref, name, email, phone from diver_card where diver_ref = ?", (diver_ref or "",)
            )
            found = _cards(c)
        return found[0] if found else None

    def unsent(self) -> tuple[DiverCard, ...]:
        """Cards that the vault does not have yet, without those that it refused."""
        with self._store.reading() as c:
            c.execute(
                "select diver_ref, name, email, phone from diver_card where is_sent = 0 and trouble = '' limit 20"
            )
            return _cards(c)

    def sent(self, diver_ref: str, *, trouble: str = "") -> None:
        """The vault took it, or refused it for good."""
        with self._store.writing() as tx:
            tx.c.execute(
                "update diver_card set is_sent = ?, trouble = ? where diver_ref = ?",
                (int(not trouble), trouble, diver_ref),
            )


_KEEP = """
insert into diver_card (diver_ref, name, email, phone, is_sent) values (?, ?, ?, ?, ?)
on conflict (diver_ref) do update set name = excluded.name, email = excluded.email, phone = excluded.phone,
is_sent = excluded.is_sent, trouble = ''
"""

_FIND = """
select diver_ref, name, email, phone from diver_card
where name like ? or coalesce(phone, '') like ? or coalesce(email, '') like ? order by name collate nocase limit ?
"""


def _cards(c: Cursor) -> tuple[DiverCard, ...]:
    return tuple(
        DiverCard(
            diver_ref=text(row[0]),
            name=text(row[1]),
            email=None if row[2] is None else text(row[2]),
            phone=None if row[3] is None else text(row[3]),
        )
        for row in c.fetchall()
    )
