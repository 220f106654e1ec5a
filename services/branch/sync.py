"""The line to the hub: push the own log after `acked`, pull the feed after the cursor, beat, give back what a hub lost.

Works on hints and, without them, on a slow poll. The line may be dead at any time; nothing here may then
stop the counter, nothing that the hub did not sign counts as heard, and nobody has to type a command at a shop.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime as dt
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, field

import structlog

from branch.conversation import Conversation
from branch.divers import Divers
from branch.link import Link
from branch.live import Live
from branch.ready_file import ReadyFile
from branch.store import BranchStore
from branch.time_floor import TimeFloor
from eventlog.feed import NewEpoch, PageRefused, check_page
from eventlog.hub_client import HubClient, HubRefused, HubUnreachable
from eventlog.wire import (
    MOST_BYTES_A_PUSH,
    MOST_ENVELOPES_A_PUSH,
    BeatAnswerDocument,
    FeedPage,
    PushAnswer,
    PushRefusal,
)  # fmt: skip
from sync import epochs
from sync.at_branch import Held, PageTaken, StartAgain
from sync.epochs import Search
from sync.standpoint import Standpoint

log = structlog.get_logger("branch.sync")

POLL_S = 5.0
BEAT_S = 20.0
GATHER_S = 0.005
"""After a wake: the tap that caused it is answered first, and what follows at once travels with it."""
SLOWEST_RETRY_S = 60.0
REMEMBER_HEARD_EVERY = dt.timedelta(seconds=30)
ITEMS_A_PAGE = 200
"""A page is one writing transaction, and the counter waits for it: larger pages are read faster, and felt longer."""
MOST_A_TURN = 1000
"""Pushes, or pages, before a loop waits once: a hub that answers nonsense is asked again later, not at once."""
MOST_BYTES = MOST_BYTES_A_PUSH - 4096


class HeldUp(Exception):
    """The hub refuses what has to be sent: tried again at a slow pace, and a person should look."""


@dataclass
class Sync:
    """The loops of one node. `jitter` draws from [0, 1); `run` goes on until it is cancelled."""

    store: BranchStore
    client: HubClient
    floor: TimeFloor
    live: Live
    link: Link
    divers: Divers
    jitter: Callable[[], float]
    talk: Conversation
    ready: ReadyFile
    beat_s: float = BEAT_S
    own_came_back: Callable[[], None] = lambda: None
    """Facts of this shop's own came by the feed that were not held here."""
    _push: asyncio.Event = field(default_factory=asyncio.Event)
    _pull: asyncio.Event = field(default_factory=asyncio.Event)
    _beat: asyncio.Event = field(default_factory=asyncio.Event)
    _back: asyncio.Event = field(default_factory=asyncio.Event)
    _loop: asyncio.AbstractEventLoop | None = None
    _kept_at: dt.datetime | None = None
    _search: Search | None = None
    _alerted: set[str] = field(default_factory=set)
    _most_at_once: int = MOST_ENVELOPES_A_PUSH

    def wake_push(self) -> None:
        """Something was written; may be called from any thread."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._push.set)

    async def run(self) -> None:
        """All loops, for ever. What nobody foresaw is logged as a bug, shows as a cut line, and is tried again later:
        a shop must not lose its stop screens because one page of the feed, or a full disk, trips the line."""
        self._loop = asyncio.get_running_loop()
        self._push.set()
        self._pull.set()
        async with asyncio.TaskGroup() as group:
            group.create_task(self._again_and_again(self.push_all, self._push, self._back))
            group.create_task(self._again_and_again(self.pull_all, self._pull, self._pull))
            group.create_task(self._again_and_again(self.beat_once, self._beat, self._back, self.beat_s))
            group.create_task(self._listen())

    def ended(self, loops: asyncio.Task[None]) -> None:
        """The loops are over. Without being told to end, that is a fault which every page must show."""
        if not loops.cancelled() and (wrong := loops.exception()) is not None:
            self.link.has_ended = True
            self._bug(wrong)

    async def push_all(self) -> None:
        """Send what the hub lacks, batch after batch, until it has everything or something is wrong."""
        held_up: HubUnreachable | HubRefused | None = None
        try:
            # First, so that the vault knows the diver when the hand-over arrives.
            await self._send_cards()
        except (HubUnreachable, HubRefused) as wrong:
            held_up = wrong  # A vault that is in trouble must not keep a condemnation here.
        await self._send_alerts()
        for _ in range(MOST_A_TURN):
            if not await self._push_run() and not await self._give_back_run():
                break
        if held_up is not None:
            raise held_up

    async def pull_all(self) -> None:
        """Read the feed to its head, page after page. Only there does this shop's news count as heard."""
        for _ in range(MOST_A_TURN):
            if self._search is not None:
                await self._search_on(self._search)
                continue
            here = await asyncio.to_thread(self.talk.here)
            if here is None:
                return
            if not await self._read_ready_file(here) and await self._read_page(here):
                return

    async def beat_once(self) -> None:
        """Say where this node stands and take the next ticket."""
        beat = await asyncio.to_thread(self.talk.beat)
        if beat is None:
            return
        heard = await self.client.beat(beat)
        self._refuse_stale(heard.answer.hub_time)
        await self.ready.hear_epoch(heard.answer.epoch)
        found = await asyncio.to_thread(self.talk.take_beat_answer, heard)
        if isinstance(found, StartAgain):
            await self._start_again(found)
            return
        if heard.answer.verdict == "clone":
            log.error("clone", inc=str(beat.inc))
            self.live.ring()
        await self._compare_standings(heard.answer)
        if heard.answer.head > self.link.hub_head:
            self._pull.set()

    async def _push_run(self) -> bool:
        run = await asyncio.to_thread(self.store.unsent, most=self._most_at_once, most_bytes=MOST_BYTES)
        here = await asyncio.to_thread(self.talk.here)
        if not run or here is None:
            return False
        with self._as_much_as_goes_through():
            answer: PushAnswer | PushRefusal = await self.client.push(run, own_seq=here.seq)
        if isinstance(answer, PushRefusal) and answer.answer == "busy":
            raise HubUnreachable("the hub is busy", retry_after_s=answer.retry_after_s)
        match await asyncio.to_thread(self.talk.take_push_answer, answer):
            case StartAgain() as again:
                await self._start_again(again, None if answer.head is None else answer.head.seq)
            case Held(reason):
                raise HeldUp(reason)
            case _:
                self.link.trouble = ""
        return True

    @contextlib.contextmanager
    def _as_much_as_goes_through(self) -> Iterator[None]:
        """Half as much after a failure, twice as much after a success: a line too thin for a whole backlog within one
        time-out would be tried with the same backlog for ever."""
        try:
            yield
        except HubUnreachable:
            self._most_at_once = max(1, self._most_at_once // 2)
            raise
        self._most_at_once = min(MOST_ENVELOPES_A_PUSH, 2 * self._most_at_once)

    async def _send_alerts(self) -> None:
        """Bad news overtakes a backlog that takes more than one push."""
        blocks = await asyncio.to_thread(self.talk.blocks_to_alert, MOST_ENVELOPES_A_PUSH)
        for sealed in blocks:
            if sealed.hash in self._alerted:
                continue
            try:
                answer = await self.client.alert(sealed)
            except HubRefused as refused:
                log.warning("alert refused", reason=str(refused))
                return  # It travels with the rest.
            if sealed.hash in answer.settled:
                self._alerted.add(sealed.hash)
                log.info("a block overtook its log", hash=sealed.hash)

    async def _give_back_run(self) -> bool:
        run = await asyncio.to_thread(self.store.unplaced, most=self._most_at_once, most_bytes=MOST_BYTES)
        if not run:
            return False
        with self._as_much_as_goes_through():
            answer = await self.client.give_back(run)
        done = await asyncio.to_thread(self.talk.given_back, answer)
        log.info("gave back", offered=len(run), done=done, unknown_key=len(answer.unknown_key))
        here = await asyncio.to_thread(self.talk.here)
        # Without progress it is offered again at the next turn: a key may come yet, or the epoch be another by now.
        return done > 0 and here is not None and here.feed.epoch == answer.epoch

    async def _read_ready_file(self, here: Standpoint) -> bool:
        """One page of the file from which a shop that begins with nothing starts. False: the hub's feed is next."""
        page = await self.ready.page(self.client, here)
        if page is None:
            return False
        try:
            taken = await asyncio.to_thread(self._take, here, page, self.floor.now())
        except PageRefused as refused:
            await self.ready.throw_away(refused.reason)
            return False
        if isinstance(taken, StartAgain):
            self.ready.look_again()
            await self._start_again(taken)
            return True
        log.info("absorbed from the ready file", items=taken.items, position=page.after + taken.items)
        self.live.ring()
        return True

    async def _read_page(self, here: Standpoint) -> bool:
        """One page; True when there is nothing more to read."""
        try:
            page = await self.client.page(here.feed, ITEMS_A_PAGE)
        except HubRefused as refused:
            if refused.status == 409:
                await self._show_evidence()
            raise
        self._refuse_stale(page.hub_time)
        now = self.floor.now()
        try:
            taken = await asyncio.to_thread(self._take, here, page, now)
        except NewEpoch as other:
            log.warning("new epoch", was=here.feed.epoch, now=page.epoch, reason=other.reason)
            self._search = epochs.begin_search(here, epoch=page.epoch, head=page.head)
            return False
        except PageRefused:
            await self._show_evidence()
            raise
        if isinstance(taken, StartAgain):
            await self._start_again(taken)
            return False
        self.link.hub_head = page.head
        if taken.items:
            log.info("absorbed", items=taken.items, position=page.after + taken.items)
            self.live.ring()
            self._push.set()  # What was given back may have found its place, and a key may have come.
        if taken.is_at_head:
            self._heard(now)
        return taken.is_at_head

    def _take(self, here: Standpoint, page: FeedPage, now: dt.datetime) -> PageTaken | StartAgain:
        is_old_news = (
            not page.items
            and page.after == page.head
            and here.feed.epoch == page.epoch
            and not here.relearning
            and self._kept_at is not None
            and now - self._kept_at <= REMEMBER_HEARD_EVERY
        )
        if is_old_news:  # The same as a moment ago: not a write for each poll.
            check_page(page, here.feed)
            return PageTaken(items=0, fresh=0, is_at_head=True)
        taken = self.talk.absorb(page, heard_at=now)
        if isinstance(taken, PageTaken):
            if taken.fresh and self.talk.speaks_of_us(page):
                self.own_came_back()
            if taken.is_at_head:
                self._kept_at = now
        return taken

    async def _search_on(self, search: Search) -> None:
        if not search.is_over:
            said = await self.client.hash_at(search.asks)
            self._search = await asyncio.to_thread(self.talk.hear, search, said)
            return
        cut = await asyncio.to_thread(self.talk.adopt, search)
        self._search = None
        self.link.heard_at = None
        self._alerted.clear()
        log.warning("adopted an epoch", epoch=search.epoch, position=search.low, cut=cut)
        self._push.set()
        self._beat.set()

    async def _start_again(self, why: StartAgain, hub_seq: int | None = None) -> None:
        await asyncio.to_thread(self.talk.start_again, why, hub_seq=hub_seq)
        self.link.heard_at = None
        self._kept_at = None
        self._alerted.clear()
        self.live.ring()
        for lane in (self._push, self._pull, self._beat):
            lane.set()

    async def _compare_standings(self, said: BeatAnswerDocument) -> None:
        if said.digest == "agree" and self.link.standings_differ:
            self.link.standings_differ = False
            self.live.ring()
        if said.digest != "differ" or self.link.standings_differ:
            return
        self.link.standings_differ = True
        self.live.ring()
        changed = await asyncio.to_thread(self.talk.rebuild)
        log.error("standings differ", position=said.head, changed_by_rebuild=changed)
        self._beat.set()

    async def _show_evidence(self) -> None:
        """The hub does not hold what it once signed: it is told so, and stops until its operator acts."""
        evidence = await asyncio.to_thread(self.talk.evidence)
        if evidence is None:
            return
        with contextlib.suppress(HubRefused, HubUnreachable):
            answer = await self.client.hub_is_behind(evidence.body, evidence.signature)
            log.error("hub is behind", is_rolled_back=answer.is_rolled_back, head=answer.head)

    async def is_known_again(self) -> bool:
        """A restored hub may have forgotten this node: its own fact about it is shown to it."""
        sealed = await asyncio.to_thread(self.talk.enrolment)
        if sealed is None:
            return False
        try:
            await self.client.enrol_again(sealed)
        except (HubRefused, HubUnreachable) as wrong:
            log.warning("not enrolled again", reason=str(wrong))
            return False
        log.warning("the hub had forgotten this node, and knows it again")
        return True

    def _refuse_stale(self, hub_time: dt.datetime) -> None:
        """An answer that the hub signed long ago is no news, whoever brings it now."""
        if self.floor.is_stale(hub_time):
            raise PageRefused(f"an answer of {hub_time.isoformat()}, which is long past at the hub")
        self.floor.hear(hub_time)

    async def _listen(self) -> None:
        """The hub's bell says when to look. Silence costs at most one poll."""
        failed = 0
        while True:
            try:
                async for bell in self.client.heads():
                    failed = 0
                    if bell.news.head > self.link.hub_head or self.link.state != "live":
                        self._pull.set()
            except HubUnreachable:
                failed += 1
            except Exception as wrong:
                self._bug(wrong)
                failed += 1
            await asyncio.sleep(self._wait_s(failed))

    async def _again_and_again(
        self,
        work: Callable[[], Awaitable[None]],
        wake: asyncio.Event,
        back: asyncio.Event,
        poll_s: float = POLL_S,
    ) -> None:
        """Work at each wake, at the latest at each poll. After a failure only `back` cuts the wait short, so that a busy
        counter does not try a dead line with every tap."""
        failed = 0
        while True:
            wake.clear()
            back.clear()
            try:
                await work()
                failed = 0
            except HubUnreachable as wrong:
                failed += 1
                self._cut(wrong.reason)
                wait_s = max(self._wait_s(failed), wrong.retry_after_s or 0.0)
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(back.wait(), wait_s)
                continue
            except (HubRefused, PageRefused, HeldUp) as wrong:
                failed += 1
                self._in_trouble(wrong)
                is_known_again = (
                    isinstance(wrong, HubRefused) and wrong.status == 401 and await self.is_known_again()
                )
                await asyncio.sleep(0.0 if is_known_again else self._wait_s(failed + 3))
                continue
            except Exception as wrong:
                failed += 1
                self._bug(wrong)
                await asyncio.sleep(self._wait_s(failed + 3))
                continue
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(wake.wait(), poll_s * (0.9 + 0.2 * self.jitter()))
                await asyncio.sleep(GATHER_S)

    def _heard(self, now: dt.datetime) -> None:
        was = self.link.state
        self.link.heard_at, self.link.state, self.link.trouble = now, "live", ""
        if was != "live":
            log.info("line is live")
            self.live.ring()
            self._back.set()

    def _cut(self, reason: str) -> None:
        was = self.link.state
        self.link.state = "cut"
        if was != "cut":
            log.warning("line is cut", reason=reason)
            self.live.ring()

    def _in_trouble(self, wrong: HubRefused | PageRefused | HeldUp) -> None:
        self.link.trouble = str(wrong)
        if not isinstance(wrong, HeldUp):
            self._cut(str(wrong))
        log.error("sync refused", reason=str(wrong))

    def _bug(self, wrong: BaseException) -> None:
        self.link.trouble = f"a fault in this software ({type(wrong).__name__})"
        self._cut(self.link.trouble)
        log.error("bug", where="sync", error=type(wrong).__name__, exc_info=wrong)

    async def _send_cards(self) -> None:
        for card in await asyncio.to_thread(self.divers.unsent):
            try:
                await self.client.put_diver(card)
                await asyncio.to_thread(self.divers.sent, card.diver_ref)
            except HubRefused as refused:
                if refused.status not in (400, 409, 413, 422):
                    raise
                await asyncio.to_thread(self.divers.sent, card.diver_ref, trouble=refused.title)
                log.warning("vault refused a card", diver_ref=card.diver_ref, title=refused.title)

    def _wait_s(self, failed: int) -> float:
        """Exponential, full jitter, capped: half a second, one, two … a minute."""
        return max(0.2, self.jitter() * min(SLOWEST_RETRY_S, 0.5 * 2.0 ** min(failed, 10)))
