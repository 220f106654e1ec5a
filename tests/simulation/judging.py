"""Standings over what a simulated database holds, by the same code that every store uses."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

from tests.simulation.hub_machine import HUB
from tests.simulation.memory_branch import BranchState
from tests.simulation.memory_hub import HubState

from cylinder.gather import Filed
from cylinder.recorded import Origin, Recorded, recorded
from eventlog.envelope import Sealed
from sync.opening import link_of


@lru_cache(maxsize=65536)
def record_of(sealed: Sealed, is_proven: bool) -> Recorded:
    """The fact that an envelope carries."""
    envelope = link_of(sealed).envelope
    place = envelope.place
    return recorded(envelope.event, Origin(place.node, place.key_id, place.inc, place.seq, is_proven))


def records_of_branch(state: BranchState) -> Iterable[Recorded]:
    """Every fact that a shop's database holds."""
    for event_id, kept in state.facts.items():
        yield record_of(state.envelopes[kept.hash], event_id not in state.unproven)


def records_of_hub(state: HubState) -> Iterable[Recorded]:
    """Every fact that has a position."""
    for row in state.feed:
        yield record_of(row.link.sealed, True)


def filed(records: Iterable[Recorded]) -> Filed:
    """The facts, as a store files them."""
    store = Filed(hub=HUB)
    for one in records:
        store.put(one)
    return store
