"""Where a projection files facts so that standings can be folded from them, and which cylinders rest on a fact.

Each projection that folds has tables of its own, by its prefix: its rows move with its cursor, and with no other's.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from uuid import UUID

from cylinder.gather import filed_under
from cylinder.identity import beside
from cylinder.recorded import HUB, Recorded, cylinder_of
from cylinder.standing import matters
from network.projections.projection import Positioned, positioned
from network.store.database import Tx


def filing_tables(prefix: str) -> tuple[str, ...]:
    """The names of the tables of one projection's filing."""
    return f"{prefix}_filed", f"{prefix}_linked", f"{prefix}_judged"


def create_filing(prefix: str) -> str:
    """The SQL that makes them."""
    return f"""
create table {prefix}_filed (subject text not null, position bigint not null, primary key (subject, position));
create table {prefix}_linked (one uuid not null, other uuid not null, primary key (one, other));
create table {prefix}_judged (judge text not null, cylinder_id uuid not null, primary key (judge, cylinder_id));
"""


@dataclass(frozen=True, slots=True)
class Filing:
    """The look-ups of `cylinder.gather` in one transaction. What was looked up once is not looked up again."""

    tx: Tx
    prefix: str
    _found: dict[str, list[Positioned]] = field(default_factory=dict)
    _place: dict[UUID, int] = field(default_factory=dict)

    def put(self, at: Positioned) -> None:
        """File a fact, if it can change a standing. Nothing may have been looked up before."""
        record = at.record
        if not matters(record):
            return
        subjects = filed_under(record)
        for subject in subjects:
            self._insert("filed", ("subject", "position"), (subject, at.position))
        own = cylinder_of(record.subject)
        for other in beside(record):
            if own is not None and other != own:
                self._insert("linked", ("one", "other"), (own, other))
                self._insert("linked", ("one", "other"), (other, own))
        for cylinder_id in filter(None, map(cylinder_of, subjects)):
            for judge in (_actor(record.actor), _node(record.node)):
                self._insert("judged", ("judge", "cylinder_id"), (judge, cylinder_id))

    def look(self, subject: str) -> Iterable[Recorded]:
        """Every fact that matters and is filed under this subject."""
        return [one.record for one in self.positioned(subject)]

    def positioned(self, subject: str) -> list[Positioned]:
        """The same, with their places in the feed."""
        if subject not in self._found:
            rows = self.tx.execute(
                f"""
select f.position, f.received_at, f.node, f.state from {self.prefix}_filed x
join numbered f on f.position = x.position
where x.subject = %s order by f.position
""".encode(),
                (subject,),
            )
            self._found[subject] = [
                positioned(row["position"], row["received_at"], row["node"], bytes(row["state"]))
                for row in rows
            ]
            self._place.update((one.record.id, one.position) for one in self._found[subject])
        return self._found[subject]

    def position_of(self, fact: Recorded) -> int:
        """The place in the feed of a fact that was looked up."""
        return self._place[fact.id]

    def linked_with(self, cylinder_id: UUID) -> list[UUID]:
        """Every record that a link or a split ever named together with this one."""
        return self._cylinders(f"select other as id from {self.prefix}_linked where one = %s", cylinder_id)

    def judged_by(self, actor: str) -> list[UUID]:
        """Every cylinder with a fact that matters by this person."""
        return self._cylinders(_judged(self.prefix), _actor(actor))

    def judged_at(self, node: str) -> list[UUID]:
        """Every cylinder with a fact that matters from this node; every cylinder at all for the hub."""
        if node == HUB:
            return self._cylinders(f"select distinct cylinder_id as id from {self.prefix}_judged")
        return self._cylinders(_judged(self.prefix), _node(node))

    def _cylinders(self, query: str, *params: object) -> list[UUID]:
        return [row["id"] for row in self.tx.execute(query.encode(), params)]

    def _insert(self, table: str, columns: tuple[str, str], values: tuple[object, object]) -> None:
        into = f"{self.prefix}_{table} ({', '.join(columns)})"
        self.tx.execute(f"insert into {into} values (%s, %s) on conflict do nothing".encode(), values)


def _judged(prefix: str) -> str:
    return f"select cylinder_id as id from {prefix}_judged where judge = %s"


def _actor(actor: str) -> str:
    return f"actor/{actor}"


def _node(node: str) -> str:
    return f"node/{node}"
