"""The audit of every fill over what the simulated hub holds at the end: the code that the real hub runs each night."""

from __future__ import annotations

from collections.abc import Iterator
from uuid import UUID

from tests.simulation.hub_machine import HUB
from tests.simulation.judging import record_of
from tests.simulation.memory_hub import HubState

from cylinder.audit import Audited, Feed, Opened, SeenAt, Written, audit
from cylinder.standing import matters
from eventlog.chain import LOG_OPENED, Link
from sync.opening import link_of


def audited(state: HubState) -> tuple[Audited, ...]:
    """Every authorised fill in the hub's log, judged."""
    epochs = [(epoch, begins_after) for epoch, begins_after in _epochs(state)]
    hashes = [row.feed_hash for row in state.feed]
    feed = Feed(tuple(epochs), lambda at: hashes[at - 1] if 0 < at <= len(hashes) else None)
    return audit(_written(state), _opened(state), feed, hub=HUB)


def _epochs(state: HubState) -> Iterator[tuple[str, int]]:
    begins_after = 0
    for epoch, ended_at in state.epochs:
        yield epoch, begins_after
        begins_after = ended_at
    yield state.epoch, begins_after


def _written(state: HubState) -> Iterator[Written]:
    for position, row in enumerate(state.feed, start=1):
        if (one := _as_written(row.link, position)) is None:
            continue
        place = row.link.envelope.place
        laid = state.chain.get((place.inc, place.seq))
        if laid is None:
            yield Written(one.fact, one.seen, position, "hole")
        else:
            yield one if laid.hash == row.link.hash else Written(one.fact, one.seen, position, "fork")
    for inc, seq in state.repeats:
        if (one := _as_written(link_of(state.chain[inc, seq]), None)) is not None:
            yield one


def _as_written(link: Link, position: int | None) -> Written | None:
    record, seen = record_of(link.sealed, True), link.envelope.event.seen
    if not matters(record) and record.kind != "visit.fill_authorised":
        return None
    return Written(record, SeenAt(seen.epoch, seen.position, seen.feed_hash), position)


def _opened(state: HubState) -> Iterator[Opened]:
    for (inc, seq), sealed in state.chain.items():
        event = link_of(sealed).envelope.event
        if seq == 1 and event.kind == LOG_OPENED:
            parent = event.body.get("parent")
            if not isinstance(parent, dict):
                yield Opened(inc)
                continue
            before, upto = UUID(str(parent["inc"])), int(str(parent["seq"]))
            held = state.heads.get(before, ("", 0, ""))[1]
            yield Opened(inc, before, upto, is_whole=held >= upto)
