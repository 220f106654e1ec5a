"""Where a fact is filed, and which cylinders rest on it: the look-ups by which a standing is folded from SQLite.

Also brings a database of older software up to date: its facts are filed anew, nothing of the log is touched.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from branch.store.rows import Cursor, facts_that_matter, text
from cylinder.facts import IdentitiesLinked, IdentitiesSplit
from cylinder.gather import filed_under
from cylinder.recorded import HUB, Recorded, cylinder_of, cylinder_subject

_LINKED_WITH = """
with near as (
    select event_id from fact where subject = ? and kind in (?, ?)
    union select event_id from fact_about where subject = ?
)
select f.subject from fact f join near n on n.event_id = f.event_id
union select a.subject from fact_about a join near n on n.event_id = a.event_id
"""
_JUDGED_BY = """
select subject from fact where actor = ? and matters = 1
union select a.subject from fact_about a join fact f on f.event_id = a.event_id where f.actor = ? and f.matters = 1
"""
_JUDGED_AT = """
select subject from fact where node = ? and matters = 1
union select a.subject from fact_about a join fact f on f.event_id = a.event_id where f.node = ? and f.matters = 1
"""
_EVERY = "select subject from fact where matters = 1 union select subject from fact_about"


@dataclass(frozen=True, slots=True)
class Filing:
    """The look-ups of `cylinder.gather`, answered by one transaction."""

    c: Cursor

    def look(self, subject: str) -> list[Recorded]:
        """Every fact that matters and is filed under this subject."""
        return facts_that_matter(self.c, subject)

    def linked_with(self, cylinder_id: UUID) -> tuple[UUID, ...]:
        """Every record that a link or a split ever named together with this one."""
        subject = cylinder_subject(cylinder_id)
        kinds = (IdentitiesLinked.KIND, IdentitiesSplit.KIND)
        return self._cylinders(_LINKED_WITH, (subject, *kinds, subject))

    def judged_by(self, actor: str) -> tuple[UUID, ...]:
        """Every cylinder with a fact that matters by this person."""
        return self._cylinders(_JUDGED_BY, (actor, actor))

    def judged_at(self, node: str) -> tuple[UUID, ...]:
        """Every cylinder with a fact that matters from this node; every cylinder at all for the hub."""
        return self.every() if node == HUB else self._cylinders(_JUDGED_AT, (node, node))

    def every(self) -> tuple[UUID, ...]:
        """Every cylinder that a fact that matters is filed under, in order."""
        return self._cylinders(_EVERY, ())

    def _cylinders(self, sql: str, params: tuple[object, ...]) -> tuple[UUID, ...]:
        self.c.execute(sql, params)
        found = {cylinder_of(text(row[0])) for row in self.c.fetchall()}
        return tuple(sorted(_known(found)))


def file_under_others(c: Cursor, record: Recorded) -> None:
    """File a fact under the subjects that its body speaks of."""
    for subject in filed_under(record)[1:]:
        c.execute(
            "insert or ignore into fact_about (subject, event_id) values (?, ?)", (subject, str(record.id))
        )


def _known(found: Iterable[UUID | None]) -> Iterable[UUID]:
    return (one for one in found if one is not None)
