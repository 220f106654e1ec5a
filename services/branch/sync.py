"""The line to the hub: push the own log after `acked`, pull the feed after the cursor, hand divers' cards to the vault.

Works on hints and, without them, on a slow poll. The line may be dead at any time; nothing here may then
stop the counter, and nothing that the hub did not sign counts as heard.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime as dt
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Literal

import structlog

from branch.divers import Divers
from branch.live import Live
from branch.store import BranchStore
from branch.store.rows import NodeRow, node_row
from branch.time_floor import TimeFloor
from eventlog.feed import NewEpoch, PageRefused, check_page
from eventlog.hub_client import HubClient, HubRefused, HubUnreachable
from eventlog.wire import (
    MOST_BYTES_A_PUSH,
    MOST_ENVELOPES_A_PUSH,
    FeedPage,
    PushAnswer,
    PushRefusal,
)  # fmt: skip

log = structlog.get_logger("branch.sync")

POLL_S = 5.0
GATHER_S = 0.005
"""After a wake: the tap that caused it is answered first, and what follows at once travels with it."""
SLOWEST_RETRY_S = 60.0
REMEMBER_HEARD_EVERY = dt.timedelta(seconds=30)
MOST_A_TURN = 1000
"""Pushes, or pages, before a loop waits once: a hub that answers nonsense is asked again later, not at once."""


@dataclass
class Link:
    """How the line to the hub stands, for pages and metrics. Ages, not lamps."""

    heard_at: dt.datetime | None = None
    state: Literal["checking", "live", "cut"] = "checking"
    trouble: str = ""
    hub_head: int = 0
    has_ended: bool = False
    """The loops ended by a fault: only a new start brings the line back."""


@dataclass
class Sync:
    """The loops of one node. `jitter` draws from [0, 1); `run` goes on until it is cancelled."""

    store: BranchStore
    client: HubClient
    floor: TimeFloor
    live: Live
    divers: Divers
    jitter: Callable[[], float]
    link: Link = field(default_factory=Link)
    _push: asyncio.Event = field(default_factory=asyncio.Event)
    _pull: asyncio.Event = field(default_factory=asyncio.Event)
    _back: asyncio.Event = field(default_factory=asyncio.Event)
    _loop: asyncio.AbstractEventLoop | None = None
    _kept_at: dt.datetime | None = None

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
        await self._push_facts()
        if held_up is not None:
            raise held_up

    async def pull_all(self) -> None:
        """Read the feed to its head, page after page. Only there does this shop's news count as heard."""
        for _ in range(MOST_A_TURN):
            node = await asyncio.to_thread(self._node)
            if node is None:
                return
            page = await self.client.page(node.feed)
            self.floor.hear(page.hub_time)
            now = self.floor.now()
            if not page.items:
                check_page(
                    page, node.feed
                )  # "Nothing new" is news only from the feed that this node has read.
            is_head = page.after + len(page.items) >= page.head
            if page.items:
                absorbed = await asyncio.to_thread(self._absorb, page, now)
                log.info("absorbed", items=absorbed, position=page.after + len(page.items))
                self.live.ring()
                if is_head:
                    self._kept_at = now
            elif not is_head:
                raise PageRefused(f"an empty page after {page.after}, and the head at {page.head}")
            elif (
                self._kept_at is None
                or now - self._kept_at > REMEMBER_HEARD_EVERY
                or node.feed.epoch == "none"
            ):
                await asyncio.to_thread(self._remember, page.epoch, now, page.hub_time)
                self._kept_at = now
            self.link.hub_head = page.head
            if is_head:
                self._heard(now)
                return

    async def _push_facts(self) -> None:
        for _ in range(MOST_A_TURN):
            run = await asyncio.to_thread(
                self.store.unsent, most=MOST_ENVELOPES_A_PUSH, most_bytes=MOST_BYTES_A_PUSH - 4096
            )
            if not run:
                return
            node = await asyncio.to_thread(self._node)
            if node is None or node.trouble:
                return
            answer = await self.client.push(run, own_seq=node.seq)
            if not await asyncio.to_thread(self._take_answer, answer):
                return

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
        self, work: Callable[[], Awaitable[None]], wake: asyncio.Event, back: asyncio.Event
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
            except (HubRefused, PageRefused) as wrong:
                failed += 1
                self._in_trouble(wrong)
                await asyncio.sleep(self._wait_s(failed + 3))
                continue
            except Exception as wrong:
                failed += 1
                self._bug(wrong)
                await asyncio.sleep(self._wait_s(failed + 3))
                continue
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(wake.wait(), POLL_S)
                await asyncio.sleep(GATHER_S)

    def _take_answer(self, answer: PushAnswer | PushRefusal) -> bool:
        """Move `acked` as the hub says; True when there may be more to send."""
        with self.store.writing() as tx:
            node = tx.node()
            match answer:
                case PushAnswer(head=head):
                    tx.acked(head.inc, head.seq)
                    return True
                case PushRefusal(answer="gap", head=head) if head is not None and head.inc == node.inc:
                    log.warning("gap", hub_head=head.seq)
                    tx.acked(node.inc, head.seq)
                    return True
                case PushRefusal(answer="busy"):
                    raise HubUnreachable("the hub is busy", retry_after_s=answer.retry_after_s)
                case PushRefusal():
                    # Fork, behind, broken, forged, quarantined: this log and the hub's are not one. A person must look;
                    # the counter goes on, and nothing is overwritten on either side.
                    tx.in_trouble(f"{answer.answer}: {answer.detail or answer.title}")
                    self.link.trouble = answer.answer
                    log.error("push refused", answer=answer.answer, detail=answer.detail)
                    return False

    def _absorb(self, page: FeedPage, now: dt.datetime) -> int:
        with self.store.writing() as tx:
            return tx.absorb(page, heard_at=now).items

    def _remember(self, epoch: str, now: dt.datetime, hub_time: dt.datetime) -> None:
        with self.store.writing() as tx:
            tx.heard(now, hub_time, epoch=epoch)

    def _node(self) -> NodeRow | None:
        with self.store.reading() as c:
            return node_row(c)

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

    def _in_trouble(self, wrong: HubRefused | PageRefused) -> None:
        self.link.trouble = "another epoch" if isinstance(wrong, NewEpoch) else str(wrong)
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
