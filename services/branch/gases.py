"""What a shop blends with: its own list of gases with prices, and who of its staff is trained to mix. Kept by a manager; no facts."""

from __future__ import annotations

import datetime as dt

from pydantic import TypeAdapter

from branch.store import BranchStore
from branch.store.rows import Cursor, text
from cylinder.gases import GasOnHand

FIRST_GASES = (GasOnHand(name="Air from the compressor", oxygen_percent=20.9),)
"""What every shop has before a manager lists more."""

_LIST = TypeAdapter(tuple[GasOnHand, ...])


class ShopGases:
    """The list, in the order in which the manager keyed it."""

    def __init__(self, store: BranchStore) -> None:
        self._store = store

    def on_hand(self) -> tuple[GasOnHand, ...]:
        """Every gas of the shop."""
        with self._store.reading() as c:
            return gases_on_hand(c)

    def keep(self, gases: tuple[GasOnHand, ...]) -> None:
        """The list as a manager keyed it, in place of the one before."""
        with self._store.writing() as tx:
            tx.c.execute(_KEEP, (_LIST.dump_json(gases).decode(),))

    def trained(self) -> dict[str, dt.date]:
        """The last good day of each staff member's training to mix gas."""
        with self._store.reading() as c:
            c.execute("select actor_id, good_until from mix_training")
            return {text(row[0]): dt.date.fromisoformat(text(row[1])) for row in c.fetchall()}

    def set_trained(self, actor_id: str, until: dt.date | None) -> None:
        """A manager has seen the paper, or takes it back."""
        with self._store.writing() as tx:
            tx.c.execute("delete from mix_training where actor_id = ?", (actor_id,))
            if until is not None:
                tx.c.execute(
                    "insert into mix_training (actor_id, good_until) values (?, ?)",
                    (actor_id, until.isoformat()),
                )


def gases_on_hand(c: Cursor) -> tuple[GasOnHand, ...]:
    """The same within a transaction."""
    c.execute("select document from gas_on_hand where one = 1")
    row = c.fetchone()
    return FIRST_GASES if row is None else _LIST.validate_json(text(row[0]))


def trained_until(c: Cursor, actor_id: str) -> dt.date | None:
    """The last good day of this person's training to mix gas; None where nobody has seen a paper."""
    c.execute("select good_until from mix_training where actor_id = ?", (actor_id,))
    row = c.fetchone()
    return None if row is None else dt.date.fromisoformat(text(row[0]))


_KEEP = """
insert into gas_on_hand (one, document) values (1, ?) on conflict (one) do update set document = excluded.document
"""
