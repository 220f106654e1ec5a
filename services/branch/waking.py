"""What a node does when it starts, before it writes anything: does its database hold all that it once did?"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from uuid import UUID

import structlog

from branch.marker import Mark, MarkerFile, is_behind
from branch.store import BranchStore
from branch.store.branch_log import own_after
from branch.store.rows import Cursor, node_row
from eventlog.keys import public_text
from sync.opening import link_of
from sync.standpoint import Fresh, Standpoint

log = structlog.get_logger("branch")

NO_MARKER = "no marker"


def wake(
    store: BranchStore,
    file: MarkerFile,
    *,
    new_id: Callable[[], UUID],
    now: dt.datetime,
    is_lost: bool = False,
) -> None:
    """Begin the log, or begin it again, or go on. Call it once, alone on the data folder, before the first write."""
    fresh = Fresh(inc=new_id(), opening_id=new_id())
    mark = file.read()
    with store.writing() as tx:
        tx.trust(store.author.node, public_text(store.author.key.public_key()), store.author.node)
        here = node_row(tx.c)
        if here is None:
            is_lost = is_lost or mark is not None
            tx.open_log(fresh, reason="lost" if is_lost else "first", now=now)
            if is_lost:
                tx.log.stand(replace(tx.node(), relearning="lost"))
                inc, seq = ("", None) if mark is None else (mark.inc.hex, mark.seq)
                tx.note_gap(inc, "lost", 0, now=now, marker_seq=seq)
                log.warning("log lost", marker_seq=None if mark is None else mark.seq)
            return
        now = now if here.hub_time is None else max(now, here.hub_time)
        why = _why_again(tx.c, store, here, mark)
        if why:
            had = mark.seq if mark is not None and mark.inc == here.inc else None
            carried = tx.begin_again(fresh, reason=why, now=now, marker_seq=had)
            log.warning("new incarnation", reason=why, was=str(here.inc), seq=here.seq, carried=carried)
        elif mark is None and not here.relearning:
            tx.log.stand(replace(here, relearning=NO_MARKER))
            log.warning("no marker", seq=here.seq)


def _why_again(c: Cursor, store: BranchStore, here: Standpoint, mark: Mark | None) -> str:
    opening = own_after(c, here.inc, 0, 1)
    if opening and link_of(opening[0]).envelope.place.key_id != store.author.key_id:
        return "key-rotate"
    return "restore" if mark is not None and is_behind(here, mark) else ""
