"""Every node's chains of a whole log, collected and then followed from number to number. Pure; part of `whole_log`."""

from __future__ import annotations

from dataclasses import dataclass, field
from uuid import UUID

from eventlog.chain import Head
from eventlog.event import NO_HASH


@dataclass(frozen=True, slots=True)
class Place:
    """Where an envelope says it stands in its chain, and where the feed has it."""

    inc: UUID
    seq: int
    node: str
    position: int | None

    @property
    def words(self) -> str:
        """As a problem begins."""
        where = "" if self.position is None else f"position {self.position}, "
        return f"{where}{self.node} {self.seq}"


@dataclass(frozen=True, slots=True)
class _Link:
    place: Place
    hash: str
    prev: str
    is_opening: bool
    is_bad: bool


@dataclass(slots=True)
class ChainsFound:
    """`turned_round`: a later number of a chain stands before an earlier one in the feed."""

    problems: list[str] = field(default_factory=list)
    turned_round: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


class Chains:
    """Collect with `add`, then `check` once."""

    def __init__(self) -> None:
        self._by_inc: dict[UUID, dict[int, _Link]] = {}
        self._found = ChainsFound()

    def add(self, place: Place, hash_: str, prev: str, *, is_opening: bool, is_bad: bool) -> None:
        """One envelope of a chain; `is_bad` when something was said of it already, so that its neighbours are spared."""
        chain = self._by_inc.setdefault(place.inc, {})
        known = chain.get(place.seq)
        if known is None:
            chain[place.seq] = _Link(place, hash_, prev, is_opening, is_bad)
        elif not is_bad:
            first = "" if known.place.position is None else f" at position {known.place.position}"
            self._found.problems.append(f"{place.words}: another envelope{first} has this number already")

    def check(self, own: Head | None, has_every_envelope: bool) -> ChainsFound:
        """Follow every chain. A hole is a problem in the own chain and in a log that should have every envelope."""
        for inc, chain in self._by_inc.items():
            is_own = own is not None and own.inc == inc
            self._follow(chain, must_be_whole=is_own or has_every_envelope)
        if own is not None and own.seq > 0:
            self._own_end(own)
        return self._found

    def _follow(self, chain: dict[int, _Link], *, must_be_whole: bool) -> None:
        before: _Link | None = None
        for seq in sorted(chain):
            link = chain[seq]
            due = 1 if before is None else before.place.seq + 1
            if seq != due:
                self._hole(link, due, must_be_whole)
            elif not link.is_bad and not (before is not None and before.is_bad):
                self._step(before, link)
            if link.is_opening != (seq == 1) and not link.is_bad:
                self._found.problems.append(f"{link.place.words}: the log opens in the wrong place")
            before = link

    def _step(self, before: _Link | None, link: _Link) -> None:
        if link.prev != (NO_HASH if before is None else before.hash):
            self._found.problems.append(f"{link.place.words}: does not follow on {link.place.seq - 1}")
        if before is None or before.place.position is None or link.place.position is None:
            return
        if before.place.position > link.place.position:
            self._found.turned_round.append(
                f"{link.place.words}: stands before {before.place.words}, which was recorded earlier"
            )

    def _hole(self, link: _Link, due: int, must_be_whole: bool) -> None:
        last = link.place.seq - 1
        missing = f"{link.place.node} {due}" if due == last else f"{link.place.node} {due} to {last}"
        if must_be_whole:
            self._found.problems.append(f"{link.place.words}: {missing} before it is missing")
        else:
            self._found.notes.append(
                f"{missing} has no position here: facts that had one, or that are still to come"
            )

    def _own_end(self, own: Head) -> None:
        chain = self._by_inc.get(own.inc, {})
        last = max(chain, default=0)
        if last != own.seq:
            self._found.problems.append(
                f"own log {min(last, own.seq) + 1}: the log ends at {last}, though it says that it reaches {own.seq}"
            )
        elif chain[last].hash != own.hash:
            self._found.problems.append(
                f"own log {last}: its last envelope is not the one that the log names"
            )
