"""A shop's banks as its own log tells them: what was said of the bottles, and the fills that their whips gave since.

Records what `plant.bank_decide` lets pass. It must never take another shop's word for a bottle of this one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from uuid import UUID

import structlog

from branch import gas_engine
from branch.banks_offer import offered, without
from branch.node import Node
from branch.store.rows import Cursor, number, record_in, sealed_of, text
from cylinder.around import Actor
from cylinder.facts import (
    BankBottleRead,
    BankBottleReturned,
    BankBottleWithdrawn,
    BankClosed,
    BankSetUp,
    BankToppedUp,
    FillAborted,
    FillCompleted,
    ResidualRead,
    WhipConnected,
)
from cylinder.recorded import NewFact, Recorded
from gas.pressure import Pressure
from plant.bank_decide import BankFact, check
from plant.bank_fold import MOST_FILLS, Draw, Turn, bank_of, bank_subject, banks_of
from plant.bank_state import BankState

log = structlog.get_logger("branch.banks")

# What was said before these is long behind: no bottle goes unread that long.
MOST_SAID = 600

_SET_UPS = "select arrived, state from fact_state where kind in (?, ?) and node = ? and is_proven = 1 order by arrived"
_SAID = (
    "select arrived, state from fact_state where kind in (?, ?, ?, ?) and node = ? and is_proven = 1 "
    "order by arrived desc limit ?"
)
# From the end of the log backwards, as far as needed: the plus keeps the index of kinds out, which would read every fill ever.
_FILLED = (
    "select distinct visit_id from (select visit_id from fact where +kind in (?, ?) and node = ? "
    "and is_proven = 1 and rowid > ? order by rowid desc limit ?)"
)
_THROUGH = (
    "select arrived, state from fact_state where visit_id = ? and node = ? and is_proven = 1 and kind in (?, ?, ?, ?) "
    "order by arrived"
)


def banks(c: Cursor, node: str) -> tuple[BankState, ...]:
    """Every bank of this shop, by name, as it stands by what is on record. Asks the engine."""
    c.execute(_SET_UPS, (BankSetUp.KIND, BankClosed.KIND, node))
    found = _turns(c)
    kinds = (BankBottleRead.KIND, BankToppedUp.KIND, BankBottleWithdrawn.KIND, BankBottleReturned.KIND)
    c.execute(_SAID, (*kinds, node, MOST_SAID))
    said = [*found, *_turns(c)]
    since = _since(said)
    return _folded(tuple(said if since is None else [*said, *_draws(c, node, since)]))


def banks_now(node: Node) -> tuple[BankState, ...]:
    """The same for a page. A shop without a bank never loads the engine."""
    with node.store.reading() as c:
        c.execute(
            "select 1 from fact where kind = ? and node = ? limit 1", (BankSetUp.KIND, node.settings.node)
        )
        if c.fetchone() is None:
            return ()
    gas_engine.wait_until_warm()
    with node.store.reading() as c:
        return banks(c, node.settings.node)


def record(node: Node, actor: Actor, bank_id: UUID, fact: BankFact, key: UUID) -> None:
    """Check and record; the same key twice is one record. Raises Refused with every reason."""
    gas_engine.wait_until_warm()
    here = node.settings.node
    with node.store.writing() as tx:
        if tx.known(key):
            return
        before = banks(tx.c, here)
        check(fact, bank_id, before, role=actor.role, whips=node.settings.whips)
        new = NewFact(fact, bank_subject(bank_id), node.desk.today())
        tx.append([new], key=key, actor=actor.id, role=actor.role, now=node.floor.now())
    log.info("recorded", id=str(key), kind=fact.KIND, node=here)
    _refresh_offer(node, bank_id, before)
    node.live.ring()
    node.sync.wake_push()


def offer(node: Node, bank_id: UUID) -> bool:
    """Put a bank into the blender's list of gases; False where it has no bottle that was read, or the list is full."""
    found = next((bank for bank in banks_now(node) if bank.bank_id == bank_id), None)
    listed = None if found is None else offered(node.gases.on_hand(), found, adds=True)
    if listed is None:
        return False
    node.gases.keep(listed)
    return True


def _refresh_offer(node: Node, bank_id: UUID, before: Sequence[BankState]) -> None:
    """A gas of the blender's list that is a bank follows what is recorded of it."""
    known = next((bank for bank in before if bank.bank_id == bank_id), None)
    if known is None:
        return
    on_hand = node.gases.on_hand()
    now = next((bank for bank in banks_now(node) if bank.bank_id == bank_id), None)
    listed = (
        without(on_hand, known.name) if now is None or not now.giving else offered(on_hand, now, adds=False)
    )
    if listed is not None and listed != on_hand:
        node.gases.keep(listed)


@lru_cache(maxsize=8)
def _folded(turns: tuple[Turn, ...]) -> tuple[BankState, ...]:
    """Facts do not change: while no new one came, neither do the banks."""
    return banks_of(turns)


def _turns(c: Cursor) -> list[Turn]:
    return [Turn(number(row[0]), record_in(sealed_of(row[1]))) for row in c.fetchall()]


def _since(said: Sequence[Turn]) -> int | None:
    """The turn after which fills count: the oldest of the last readings that bottles in use rest on."""
    last: dict[tuple[UUID, str], int] = {}
    for turn in said:
        if isinstance(turn.what, Recorded) and (bank_id := bank_of(turn.what.subject)) is not None:
            for name in _read_in(turn.what):
                key = (bank_id, name.casefold())
                last[key] = max(last.get(key, 0), turn.number)
    giving = [(bank.bank_id, one.name.casefold()) for bank in _folded(tuple(said)) for one in bank.giving]
    return min((last[key] for key in giving if key in last), default=None)


def _read_in(record: Recorded) -> tuple[str, ...]:
    match record.fact:
        case BankBottleRead(bottle=bottle):
            return (bottle,)
        case BankToppedUp(bottles=bottles):
            return bottles
        case _:
            return ()


def _draws(c: Cursor, node: str, since: int) -> Iterator[Turn]:
    """Each fill after a turn, with the whip that it came through and where it began."""
    c.execute(_FILLED, (FillCompleted.KIND, FillAborted.KIND, node, since, MOST_FILLS))
    visits = [text(row[0]) for row in c.fetchall() if row[0] is not None]
    kinds = (WhipConnected.KIND, ResidualRead.KIND, FillCompleted.KIND, FillAborted.KIND)
    for visit_id in visits:
        c.execute(_THROUGH, (visit_id, node, *kinds))
        yield from (turn for turn in _of_visit(_turns(c)) if turn.number > since)


def _of_visit(turns: Sequence[Turn]) -> Iterator[Turn]:
    whip: int | None = None
    start: Pressure | None = None
    for turn in turns:
        match turn.what.fact if isinstance(turn.what, Recorded) else None:
            case WhipConnected(whip=taken):
                whip = taken
            case ResidualRead(residual=residual):
                start = residual.pressure
            case FillCompleted(start=began, end=end) if whip is not None:
                yield Turn(turn.number, Draw(whip, began.pressure, end.pressure))
            case FillAborted(at=at) if whip is not None and start is not None:
                yield Turn(turn.number, Draw(whip, start, None if at is None else at.pressure))
                start = start if at is None else at.pressure
            case _:
                pass
