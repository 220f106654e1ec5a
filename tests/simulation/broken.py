"""The protocol, broken on purpose: each variant is one mistake that a careful person could make.

They live here and nowhere else: a variant replaces a function while its seeds run. If one of them gets through
unseen, the simulation has no teeth there.
"""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from unittest.mock import patch
from uuid import UUID

from tests.simulation import judging, shop_machine
from tests.simulation.hub_machine import Down, HubMachine
from tests.simulation.memory_branch import MemoryBranchLog
from tests.simulation.memory_hub import MemoryHubLog, Row
from tests.simulation.shop_machine import ShopMachine

import cylinder.gather
from branch.time_floor import TimeFloor
from cylinder.facts import KeyRevoked, UnknownFact
from cylinder.recorded import Recorded
from cylinder.standing import Standing, standing
from eventlog.chain import Head, Link, Verdict, judge
from eventlog.envelope import Sealed
from eventlog.feed import Cursor, NewEpoch, next_feed_hash
from eventlog.wire import FeedPage
from sync import at_branch, at_hub, beats, epochs
from sync.hub_log import Placed
from sync.opening import link_of

Replacement = tuple[object, str, object]


@dataclass(frozen=True)
class Variant:
    """One mistake. `needs` are faults without which it cannot show: they are on in every seed that looks for it.

    `first` is the seed below which none shows it, found by trying them all: it saves looking at them again.
    """

    name: str
    replaced: tuple[Replacement, ...]
    needs: frozenset[str] = frozenset()
    first: int = 0

    @contextlib.contextmanager
    def made(self) -> Iterator[None]:
        """The protocol with this mistake in it."""
        with contextlib.ExitStack() as stack:
            for target, name, new in self.replaced:
                stack.enter_context(patch.object(target, name, new))
            yield


Fold = Callable[[list[Recorded]], list[Recorded]]


def _standing_over(change: Fold) -> tuple[Replacement, ...]:
    """The standing, over facts that were meddled with first."""

    def meddled(
        cylinder_id: UUID, facts: Iterable[Recorded], credentials: Iterable[Recorded], *, hub: str = "hub"
    ) -> Standing:
        both = [*facts, *credentials]
        changed = change(both)
        return standing(cylinder_id, changed, changed, hub=hub)

    return ((cylinder.gather, "standing", meddled),)


def _blocks(facts: list[Recorded]) -> list[Recorded]:
    return [one for one in facts if one.effect == "block"]


def _the_last_word_wins(facts: list[Recorded]) -> list[Recorded]:
    """The latest by the shops' clocks decides."""
    said = [one for one in facts if one.effect != "neutral"]
    if said and max(said, key=lambda one: one.at).effect == "clear":
        return [one for one in facts if one.effect != "block"]
    return facts


def _a_clear_clears_all(facts: list[Recorded]) -> list[Recorded]:
    everything = tuple(one.id for one in _blocks(facts))
    return [replace(one, clears=everything) if one.effect == "clear" else one for one in facts]


def _a_clear_clears_what_is_older(facts: list[Recorded]) -> list[Recorded]:
    return [
        replace(one, clears=tuple(block.id for block in _blocks(facts) if block.at <= one.at))
        if one.effect == "clear"
        else one
        for one in facts
    ]


def _the_role_in_the_header_is_believed(facts: list[Recorded]) -> list[Recorded]:
    return [
        replace(one, actor=one.actor.replace("-operator", "-inspector")) if one.effect == "clear" else one
        for one in facts
    ]


def _a_revoked_signer_says_nothing(facts: list[Recorded]) -> list[Recorded]:
    revoked = {one.fact.node for one in facts if isinstance(one.fact, KeyRevoked)}
    return [one for one in facts if one.node not in revoked]


def _an_unknown_kind_is_nothing(sealed: Sealed, is_proven: bool) -> Recorded:
    found = judging_record_of(sealed, is_proven)
    return replace(found, effect="neutral") if isinstance(found.fact, UnknownFact) else found


judging_record_of = judging.record_of


# The hub.


def _numbered_again(log: MemoryHubLog, placed: Sequence[Placed], *, now: dt.datetime) -> None:
    for one in placed:
        log.state.feed.append(Row(one.link, one.feed_hash, now, one.is_loose))
        log.state.position_of[one.link.envelope.event.id] = one.position


def _nothing_positioned(log: MemoryHubLog, ids: Sequence[UUID]) -> dict[UUID, Link]:
    return {}


def _with_gaps(
    log: MemoryHubLog, position: int, most: int
) -> tuple[tuple[int, dt.datetime, Sealed, str], ...]:
    rows = log.state.feed[position : position + most]
    seen = tuple(
        (position + n, row.received_at, row.link.sealed, row.feed_hash)
        for n, row in enumerate(rows, start=1)
        if (position + n) % 9 or position + n == len(log.state.feed)
    )
    return seen


def _any_page(page: FeedPage, cursor: Cursor) -> Sequence[str]:
    if cursor.epoch not in ("none", page.epoch):
        raise NewEpoch(f"epoch {page.epoch} is not {cursor.epoch}")
    hashes, before = [], cursor.feed_hash
    for item in page.items:
        before = next_feed_hash(before, item.sealed().hash)
        hashes.append(before)
    return hashes


def _no_hash_check(run: Sequence[Link], head: Head, *, known: dict[int, str]) -> Verdict:
    return judge(run, head, known={link.envelope.place.seq: link.hash for link in run})


def _given_back_after_a_cut_only(
    log: MemoryBranchLog, epoch: str, *, but_of: UUID, most: int
) -> tuple[Sealed, ...]:
    found = unplaced(log, epoch, but_of=but_of, most=10_000)
    return tuple(one for one in found if link_of(one).envelope.place.node != log.node)[:most]


def _follows_or_nothing(log: MemoryHubLog, link: Link, *, now: dt.datetime) -> object:
    laid = at_hub_lay(log, link, now=now)
    return None if laid is not None and laid.is_loose else laid


at_hub_lay = at_hub._lay


def _no_new_epoch(hub: HubMachine) -> None:
    hub.is_refusing = False
    hub.mark = None


def _anything_signed(log: MemoryHubLog, giver: str, sealed: Sealed, *, now: dt.datetime) -> Link | str:
    try:
        return link_of(sealed)
    except Exception:
        return "malformed"


def _every_ticket_is_good(log: MemoryHubLog, node: str, beat: beats.Beat, *, ticket: str) -> beats.BeatAnswer:
    return beats.BeatAnswer("ok", beat.inc, ticket)


# The shop.


def _cursor_first(shop: ShopMachine, work: Callable[[shop_machine.QuickBranchLog], object]) -> object:
    before = shop.state
    try:
        return transact(shop, work)
    except Down:
        copied = shop_machine.QuickBranchLog(before.copy(), node=shop.node, hub_node="hub")
        with contextlib.suppress(Exception):
            work(copied)
            here, mine = copied.state.here, shop.state.here
            if here is not None and mine is not None and here.feed.position > mine.feed.position:
                shop.state.here = replace(mine, feed=here.feed, heard_at=here.heard_at)
        raise


transact = ShopMachine.transact


def _look_then_act(
    shop: ShopMachine, decide: Callable[[shop_machine.QuickBranchLog], list[object]]
) -> list[object]:
    if not shop.is_up:
        return []
    events = decide(shop.log())
    if events:
        wait = shop.world.rng.uniform(5, 3600)
        shop.world.later(wait, lambda: record(shop, lambda _: events), "acts on what it looked up")  # type: ignore[arg-type,return-value]
    return []


record = ShopMachine.record


def _raw_clock(floor: TimeFloor) -> dt.datetime:
    return floor.wall()


def _acked_when_sent(shop: ShopMachine) -> None:
    here = shop.state.here
    pump_push(shop)
    if here is not None and "push" in shop.waiting:
        shop.state.here = replace(here, acked_seq=min(here.seq, here.acked_seq + shop_machine.RUN))


pump_push = ShopMachine._pump_push


def _same_log_goes_on(shop: ShopMachine, reason: str) -> None:
    shop.world.count(f"went on after {reason}")


def _boots_without_looking(shop: ShopMachine, mark: object) -> bool:
    return False


def _forgets_that_it_forgot(
    log: MemoryBranchLog, author: at_branch.Author, fresh: object, *, reason: str, now: dt.datetime
) -> int:
    before = log.standpoint()
    moved = begin_again(log, author, fresh, reason=reason, now=now)  # type: ignore[arg-type]
    here = log.standpoint()
    assert here is not None
    log.stand(replace(here, relearning="", heard_at=before.heard_at if before else None))
    return moved


begin_again = at_branch.begin_again


def _heard_in_the_middle(
    log: MemoryBranchLog, page: FeedPage, *, heard_at: dt.datetime
) -> at_branch.PageTaken | at_branch.StartAgain:
    found = take_page(log, page, heard_at=heard_at)
    here = log.standpoint()
    if here is not None and isinstance(found, at_branch.PageTaken):
        log.stand(replace(here, heard_at=heard_at, relearning=""))
    return found


take_page = at_branch.take_page


def _equal_entries(log: MemoryBranchLog, search: epochs.Search, said: epochs.HashAt) -> epochs.Search | None:
    """Two feeds are taken for one up to where the entry is the same, whatever stands before it."""
    if said.epoch != search.epoch:
        return None
    mine = next((kept.hash for kept in log.state.facts.values() if kept.position == said.position), None)
    if mine == said.feed_hash:
        return replace(search, low=said.position)
    return replace(search, high=said.position - 1)


def _entry_at(hub: HubMachine, position: int) -> epochs.HashAt:
    rows = hub.state.feed
    found = rows[position - 1].link.hash if 0 < position <= len(rows) else None
    return epochs.HashAt(hub.state.epoch, position, found)


def _only_my_own(log: MemoryBranchLog, epoch: str, *, but_of: UUID, most: int) -> tuple[Sealed, ...]:
    found = unplaced(log, epoch, but_of=but_of, most=10_000)
    return tuple(one for one in found if link_of(one).envelope.place.node == log.node)[:most]


unplaced = MemoryBranchLog.unplaced


def _cut_with_its_facts(log: MemoryBranchLog, position: int) -> None:
    gone = {
        one for one, kept in log.state.facts.items() if kept.position is not None and kept.position > position
    }
    cut_feed(log, position)
    here = log.standpoint()
    for one in gone:
        if here is None or log.state.facts[one].inc != here.inc:
            del log.state.facts[one]


cut_feed = MemoryBranchLog.cut_feed


def _acked_for_ever(log: MemoryBranchLog, search: epochs.Search) -> int:
    before = log.standpoint()
    cut = adopt(log, search)
    here = log.standpoint()
    assert before is not None
    assert here is not None
    log.stand(replace(here, acked_seq=before.acked_seq))
    return cut


adopt = epochs.adopt


def _overlaid(log: MemoryBranchLog, link: Link, *, position: int | None, is_proven: bool) -> None:
    """What stands at a taken place is written over."""
    place = link.envelope.place
    there = log.state.chain.get((place.inc, place.seq))
    if there is not None and there != link.hash:
        old = link_of(log.state.envelopes[there]).envelope.event.id
        log.state.facts.pop(old, None)
        log.state.chain[place.inc, place.seq] = link.hash
    keep(log, link, position=position, is_proven=is_proven)


keep = MemoryBranchLog.keep


def _v(name: str, *replaced: Replacement, needs: Iterable[str] = (), first: int = 0) -> Variant:
    return Variant(name, replaced, frozenset(needs), first)


VARIANTS: tuple[Variant, ...] = (
    _v(
        "a fact that is published again gets another position",
        (MemoryHubLog, "positioned", _nothing_positioned),
        (MemoryHubLog, "number", _numbered_again),
        first=7,
    ),
    _v("the cursor moves before the facts", (ShopMachine, "transact", _cursor_first), needs=["shop crashes"]),
    Variant("the last word by the clocks wins", _standing_over(_the_last_word_wins)),
    Variant("a clear lifts every block", _standing_over(_a_clear_clears_all)),
    Variant("a clear lifts what is older", _standing_over(_a_clear_clears_what_is_older)),
    Variant(
        "the role in the header is believed",
        _standing_over(_the_role_in_the_header_is_believed),
        frozenset({"false clears"}),
    ),
    Variant(
        "a revoked signer's blocks fall",
        _standing_over(_a_revoked_signer_says_nothing),
        frozenset({"revoked"}),
        first=10,
    ),
    _v(
        "a block of an unknown kind is ignored",
        (judging, "record_of", _an_unknown_kind_is_nothing),
        needs=["newer software"],
        first=3,
    ),
    _v(
        "a reader passes over what is not visible yet",
        (MemoryHubLog, "sealed_after", _with_gaps),
        (at_branch, "check_page", _any_page),
    ),
    _v("a page is taken wherever it starts", (at_branch, "check_page", _any_page), needs=["late"]),
    # Alone, this one is healed: what a shop holds and the feed does not is given back whenever it is noticed.
    _v(
        "a known number is not compared by hash, nor its fact given back",
        (at_hub, "judge", _no_hash_check),
        (MemoryBranchLog, "unplaced", _given_back_after_a_cut_only),
        needs=["clone"],
        first=15,
    ),
    _v(
        "an envelope with an unknown predecessor is refused",
        (at_hub, "_lay", _follows_or_nothing),
        needs=["hub restored", "clone", "disk lost", "shop restored", "marker lost"],
        first=159,
    ),
    _v("a restored hub keeps its epoch", (HubMachine, "new_epoch", _no_new_epoch), needs=["hub restored"]),
    _v("the hub believes any signature", (at_hub, "authentic", _anything_signed), needs=["garbled"]),
    _v("every ticket is good", (beats, "take_beat", _every_ticket_is_good), needs=["clone"]),
    _v("looked up outside the transaction", (ShopMachine, "record", _look_then_act)),
    _v("the shop's own clock decides", (TimeFloor, "now", _raw_clock), needs=["clock"], first=3),
    _v("acknowledged when sent", (ShopMachine, "_pump_push", _acked_when_sent), needs=["lost"]),
    _v(
        "a restored shop goes on in its old log",
        (ShopMachine, "begin_again", _same_log_goes_on),
        needs=["shop restored"],
    ),
    _v(
        "the marker is not looked at",
        (ShopMachine, "_is_behind", _boots_without_looking),
        needs=["shop restored"],
        first=16,
    ),
    _v(
        "a restored shop trusts its memory",
        (at_branch, "begin_again", _forgets_that_it_forgot),
        needs=["shop restored"],
        first=155,
    ),
    _v(
        "news counts as heard in the middle of the feed",
        (at_branch, "take_page", _heard_in_the_middle),
        needs=["shop restored"],
    ),
    _v(
        "the common prefix by equal entries",
        (epochs, "hear", _equal_entries),
        (HubMachine, "hash_at", _entry_at),
        needs=["hub restored"],
        first=7,
    ),
    _v(
        "only its own facts are given back",
        (MemoryBranchLog, "unplaced", _only_my_own),
        needs=["hub restored"],
        first=4,
    ),
    _v("a cut forgets the facts", (MemoryBranchLog, "cut_feed", _cut_with_its_facts), needs=["hub restored"]),
    _v("acknowledged for ever", (epochs, "adopt", _acked_for_ever), needs=["hub restored"]),
    _v(
        "a fork's other tail is written over",
        (MemoryBranchLog, "keep", _overlaid),
        needs=["hub restored", "clone"],
        first=7,
    ),
)
"""Every mistake that the simulation has to find.

A forked tail that is left behind is none of them: giving back brings its facts to the hub all the same, beside their chain,
where they block but prove nothing. No promise is broken by that, so no oracle can tell.
"""

assert len({one.name for one in VARIANTS}) == len(VARIANTS)
