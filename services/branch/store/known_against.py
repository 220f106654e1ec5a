"""What the hub's list says is stopped while the records behind it are not here yet: a stop at every look-up.

Owns `known_against` and `known_against_list`. Such a word is never a standing: it is in no digest, clears nothing, and
falls with the page that carries the feed past the list's position. Must never take a block away from anybody.
"""

from __future__ import annotations

from uuid import UUID

from branch.store.claims import note_claim
from branch.store.rows import Cursor, number, text, with_known_against
from cylinder.block import Block
from cylinder.marks import Marks
from cylinder.standing import Standing
from eventlog.feed import Cursor as FeedCursor
from eventlog.snapshot import BlockedCylinder, BlockedList, HeldAgainst

_PUT_LIST = """
insert into known_against_list (one, epoch, position, sha256) values (1, ?, ?, ?)
on conflict (one) do update set epoch = excluded.epoch, position = excluded.position, sha256 = excluded.sha256
"""
KNOWN_AGAINST_IT = "Known against it"


def take_list(c: Cursor, said: BlockedList) -> None:
    """Keep this list in place of any before it. Raises ValueError when one of its lines cannot be shown, or two of them
    speak of one cylinder: none is left out."""
    kept = [_kept(one) for one in said.cylinders]
    if len({one.cylinder_id for one in kept}) < len(kept):
        raise ValueError("the list names a cylinder twice")
    drop_list(c)
    c.execute(_PUT_LIST, (said.epoch, said.position, said.sha256))
    for one in kept:
        c.execute(
            "insert into known_against (cylinder_id, document) values (?, ?)",
            (str(one.cylinder_id), one.model_dump_json()),
        )
    claim_again(c)


def list_of(c: Cursor) -> str | None:
    """The digest of the file whose list is kept."""
    c.execute("select sha256 from known_against_list")
    row = c.fetchone()
    return None if row is None else text(row[0])


def drop_list(c: Cursor) -> None:
    """Nothing is known against anybody but by the records that are here."""
    c.execute("delete from known_against")
    c.execute("delete from known_against_list")


def drop_when_passed(c: Cursor, feed: FeedCursor) -> None:
    """The records up to the list's position are here, or the list belongs to another feed by now."""
    c.execute("select epoch, position from known_against_list")
    row = c.fetchone()
    if row is None or feed.epoch == "none":
        return
    if text(row[0]) != feed.epoch or number(row[1]) <= feed.position:
        drop_list(c)


def known_ids(c: Cursor) -> tuple[UUID, ...]:
    """Every cylinder on the list, in order."""
    c.execute("select cylinder_id from known_against order by cylinder_id")
    return tuple(UUID(text(row[0])) for row in c.fetchall())


def claim_again(c: Cursor) -> None:
    """Each cylinder on the list is found by its serials, and by those that are near."""
    for cylinder_id in known_ids(c):
        known = with_known_against(c, cylinder_id, None)
        for marks in () if known is None else known.marks:
            note_claim(c, cylinder_id, marks.serial)


def _kept(said: BlockedCylinder) -> Standing:
    return Standing(
        cylinder_id=said.cylinder_id,
        marks=tuple(Marks.model_validate(marks.model_dump()) for marks in said.marks),
        blocks=tuple(_block(said.cylinder_id, held) for held in said.held),
    )


def _block(cylinder_id: UUID, held: HeldAgainst) -> Block:
    where = f"since position {held.position}; its records are still being read"
    return Block(
        **held.model_dump(exclude={"position", "words", "reason"}),
        words=KNOWN_AGAINST_IT,
        reason=f"{held.words}: {held.reason} ({where})",
        on=(cylinder_id,),
    )
