"""One receipt from due to its end: ask the vault for the diver, write the letter, post it, record how it ended.

Must never send without having recorded it first, send more than one repeat, or log anything of a diver.
"""

from __future__ import annotations

import asyncio
import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import assert_never
from uuid import UUID

import structlog

from cylinder.gather import standing_of
from cylinder.recorded import Recorded
from cylinder.visit import visit, visit_of
from eventlog.hub_client import HubClient, HubRefused, HubUnreachable
from eventlog.wire import DiverCard
from receipts.ledger import Ledger, Receipt, State
from receipts.letter import Given, HandOver, Untellable, letter
from receipts.mail import Mail, Sender, Unaddressable, card_doubts, mail
from receipts.post import Outcome, Post
from receipts.recall_letter import NothingToTell, recall_letter
from rulebook import Pack

FIRST_WAIT_S = 2.0
LONGEST_WAIT_S = 15 * 60.0
GIVE_UP_AFTER = dt.timedelta(days=3)
LONGEST_ATTEMPT_S = 90.0

log = structlog.get_logger("receipts")


def wait_s(attempts: int, chance: float) -> float:
    """Exponential back-off with full jitter; `chance` is a random number from 0 to 1."""
    return chance * min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(attempts, 30))


@dataclass(slots=True)
class Dispatch:
    """Works through what is due. `chance` draws a number from 0 to 1; `not_before` is set while the relay is down."""

    ledger: Ledger
    hub: HubClient
    post: Post
    sender: Sender
    pack: Pack
    clock: Callable[[], dt.datetime]
    chance: Callable[[], float]
    not_before: dt.datetime | None = None
    attempts_made: int = 0

    def recover(self) -> None:
        """After a start: what a crash interrupted gets its one repeat, or a person."""
        for receipt in self.ledger.interrupted():
            self._doubt(receipt, "interrupted while the mail was given")

    async def send_next(self) -> float | None:
        """Deal with one due receipt. Seconds until there may be another; None when nothing waits."""
        now = self.clock()
        if self.not_before is not None and now < self.not_before:
            return (self.not_before - now).total_seconds()
        receipt = await asyncio.to_thread(self.ledger.first_due, now)
        if receipt is None:
            at = await asyncio.to_thread(self.ledger.next_try_at)
            return None if at is None else max(0.0, (at - now).total_seconds())
        await self._deal_with(receipt)
        return 0.0

    async def _deal_with(self, receipt: Receipt) -> None:
        if self.clock() - receipt.due_at >= GIVE_UP_AFTER:
            self._end(receipt, "refused", f"gave up after {GIVE_UP_AFTER.days} days: {receipt.reason}")
            return
        try:
            card = await self.hub.diver(receipt.diver_ref) if is_ref(receipt.diver_ref) else None
        except (HubUnreachable, HubRefused) as wrong:
            status = f" ({wrong.status})" if isinstance(wrong, HubRefused) else ""
            self._put_back(receipt, "due", f"the vault does not answer{status}")
            return
        if card is None:
            self._end(receipt, "dropped", "the vault knows no such diver (any more)")
        elif card.email is None:
            self._end(receipt, "dropped", "no address")
        elif doubts := card_doubts(card):
            self._end(receipt, "refused", "; ".join(doubts))
        else:
            await self._write_and_post(receipt, card)

    async def _write_and_post(self, receipt: Receipt, card: DiverCard) -> None:
        try:
            ready = await asyncio.to_thread(self._mail, receipt, card)
        except NothingToTell as wrong:
            self._end(receipt, "dropped", str(wrong))
            return
        except (Untellable, Unaddressable) as wrong:
            self._end(receipt, "refused", str(wrong))
            return
        outcome = await self._attempt(receipt, ready)
        self.attempts_made += 1
        now_is = self.ledger.receipt(receipt.handover_id)
        assert now_is is not None, receipt.handover_id
        self._record(now_is, outcome)

    async def _attempt(self, receipt: Receipt, ready: Mail) -> Outcome:
        mark = _Mark(self.ledger, receipt.handover_id, self.clock)
        attempt = asyncio.ensure_future(asyncio.to_thread(self.post.send, ready, mark=mark))
        done, _ = await asyncio.wait({attempt}, timeout=LONGEST_ATTEMPT_S)
        if not done:
            self.post.hang_up()
        return await attempt

    def _record(self, receipt: Receipt, outcome: Outcome) -> None:
        match outcome.word:
            case "sent":
                self.not_before = None
                self._end(receipt, "sent", "")
            case "refused":
                self.not_before = None
                self._end(receipt, "refused", outcome.why)
            case "in doubt":
                self._doubt(receipt, outcome.why)
            case "later" | "line down":
                before: State = receipt.state
                assert before in ("due", "sending"), before
                at = self._put_back(receipt, "sending" if before == "sending" else "due", outcome.why)
                self.not_before = at if outcome.word == "line down" else None
            case _:
                assert_never(outcome.word)

    def _mail(self, receipt: Receipt, card: DiverCard) -> Mail:
        if self.ledger.is_recall(receipt.handover_id):
            return self._recall(receipt, card)
        handover = self._hand_over(receipt)
        return mail(
            letter(handover, card.name, self.pack),
            card,
            handover_id=receipt.handover_id,
            shop=handover.shop,
            sender=self.sender,
            now=self.clock(),
        )

    def _recall(self, receipt: Receipt, card: DiverCard) -> Mail:
        """What is held by now: a finding that was annulled since calls nothing back."""
        called = self.ledger.called_back(receipt.handover_id)
        if not called:
            raise NothingToTell("nothing stands against these fills any more")
        shop = self.ledger.shop(receipt.node)
        written = recall_letter(
            receipt.handover_id, called, card.name, shop, lambda node: self.ledger.shop(node).name
        )
        return mail(
            written, card, handover_id=receipt.handover_id, shop=shop, sender=self.sender, now=self.clock(),
            about="recall",
        )  # fmt: skip

    def _hand_over(self, receipt: Receipt) -> HandOver:
        """Fold the visits of a hand-over, and what stands against their cylinders at this moment."""
        facts = self.ledger.facts_of_handover(receipt.handover_id)
        if not facts:
            raise Untellable("the facts of this hand-over are not here any more")
        ids = dict.fromkeys(found for fact in facts if (found := visit_of(fact)) is not None)
        return HandOver(
            id=receipt.handover_id,
            on=max(fact.performed_on for fact in facts),
            shop=self.ledger.shop(receipt.node),
            given=tuple(self._given(visit_id, facts) for visit_id in ids),
        )

    def _given(self, visit_id: UUID, facts: tuple[Recorded, ...]) -> Given:
        folded = visit(visit_id, facts)
        if folded.cylinder_id is None:
            raise Untellable(f"the visit of tag {folded.tag} names no cylinder")
        filler = next((fact.actor for fact in facts if fact.id == folded.completed_id), "")
        return Given(
            visit=folded,
            standing=standing_of(folded.cylinder_id, self.ledger.filed),
            filled_by=self.ledger.known_as(filler),
        )

    def _put_back(self, receipt: Receipt, before: State, reason: str) -> dt.datetime:
        now = self.clock()
        at = now + dt.timedelta(seconds=wait_s(receipt.attempts, self.chance()))
        self.ledger.put_back(
            receipt.handover_id,
            before="sending" if before == "sending" else "due",
            at=at,
            reason=reason,
            now=now,
        )
        _tell(receipt, "due", reason)
        return at

    def _doubt(self, receipt: Receipt, reason: str) -> None:
        now = self.clock()
        at = now + dt.timedelta(seconds=wait_s(receipt.attempts, self.chance()))
        after = self.ledger.doubt(receipt.handover_id, at=at, reason=reason, now=now)
        _tell(receipt, after.state, reason)

    def _end(self, receipt: Receipt, state: State, reason: str) -> None:
        """A mail that was perhaps delivered before is never called refused: a person must look."""
        earlier = receipt.doubts - (receipt.state == "sending")
        if state == "refused" and earlier > 0:
            state, reason = "unknown", f"perhaps delivered by an earlier attempt; {reason}"
        self.ledger.settle(receipt.handover_id, state, before=receipt.state, reason=reason, now=self.clock())
        _tell(receipt, state, reason)


@dataclass(frozen=True, slots=True)
class _Mark:
    """Called by the post when the server waits for the mail: the ledger says `sending` before a byte of it leaves."""

    ledger: Ledger
    handover_id: UUID
    clock: Callable[[], dt.datetime]

    def __call__(self) -> None:
        self.ledger.mark_sending(self.handover_id, self.clock())


def is_ref(text: str) -> bool:
    """Whether this can be asked of the vault: its references hold neither dots nor slashes."""
    return 8 <= len(text) <= 64 and text.isascii() and text.replace("-", "").replace("_", "").isalnum()


def _tell(receipt: Receipt, state: State, reason: str) -> None:
    log.info("receipt", handover=str(receipt.handover_id), node=receipt.node, state=state, reason=reason)
