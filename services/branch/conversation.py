"""What the database does with each word of the hub: one transaction each, and the protocol core decides.

Blocking; called from threads. Must never speak to the hub itself, or guess what it holds.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from uuid import UUID

import structlog

from branch.store import BranchStore
from branch.store import views as look
from branch.store.branch_log import NODE_ENROLLED, trusted_key
from branch.store.known_against import drop_list, list_of, take_list
from branch.store.rows import Cursor, node_row, sealed_of, text, unfolded
from branch.verify import rebuild
from eventlog.chain import Head
from eventlog.envelope import Malformed, Sealed
from eventlog.hub_client import BeatHeard
from eventlog.snapshot import BlockedList
from eventlog.wire import BeatDocument, FeedPage, GivenBack, HashAtDocument, PushAnswer, PushRefusal
from sync import at_branch, beats, epochs
from sync.at_branch import Acked, Held, HubSays, PageTaken, StartAgain
from sync.beats import BeatAnswer
from sync.epochs import HashAt, Search
from sync.opening import link_of
from sync.standpoint import Fresh, Standpoint

log = structlog.get_logger("branch.sync")

MOST_ALERTS = 200
FOLDS_A_COMMIT = 50
"""The counter waits for each commit: so many standings take about as long as a page of the feed."""

_BLOCKS = """
select state from fact_state where inc = ? and seq > ? and effect = 'block' and position is null order by seq limit ?
"""
_ENROLLED = """
select state from fact_state where node = ? and kind = ? and subject = ? and is_proven = 1 order by arrived desc limit 1
"""
_PUT_WORD = """
insert into hub_word (one, body, signature) values (1, ?, ?)
on conflict (one) do update set body = excluded.body, signature = excluded.signature
"""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the hub once signed about where it stood."""

    body: str
    signature: str


@dataclass
class Conversation:
    """The store's side of the line. `new_id` makes the ids of incarnations and beats; `now` is the time floor's."""

    store: BranchStore
    new_id: Callable[[], UUID]
    now: Callable[[], dt.datetime]
    _digest_of: tuple[Standpoint, str] | None = None

    def here(self) -> Standpoint | None:
        """Where the node stands."""
        with self.store.reading() as c:
            return node_row(c)

    def take_push_answer(self, answer: PushAnswer | PushRefusal) -> Acked | Held | StartAgain | None:
        """Move `acked` as the hub says, or say what is wrong."""
        head = None if answer.head is None else Head(answer.head.inc, answer.head.seq, answer.head.hash)
        detail = (answer.detail or answer.title) if isinstance(answer, PushRefusal) else ""
        with self.store.writing() as tx:
            return at_branch.take_push_answer(tx.log, HubSays(answer.answer, head, detail))

    def absorb(self, page: FeedPage, *, heard_at: dt.datetime) -> PageTaken | StartAgain:
        """Apply a page. Raises PageRefused. Signatures are checked first, so that the counter does not wait for them.

        In the middle of the feed no standing is folded. Before the page that reaches the head, all are: this node
        never says that it is up to date while one of them waits.
        """
        with self.store.reading() as c:
            proven = at_branch.prove(page, lambda node, key_id: trusted_key(c, node, key_id))
        reaches_head = page.after + len(page.items) >= page.head
        if reaches_head:
            self.fold_what_waits()
        with self.store.writing() as tx:
            return tx.absorb(page, heard_at=heard_at, proven=proven, puts_off=not reaches_head)

    def fold_what_waits(self) -> int:
        """Fold every standing that was put off, some in each commit; gives how many there were. May be cut off anywhere."""
        folded = 0
        while True:  # Ends: each turn folds some, and this is the only reader of the feed.
            with self.store.reading() as c:
                if not unfolded(c, 1):
                    return folded
            with self.store.writing() as tx:
                folded += tx.fold_put_off(FOLDS_A_COMMIT)

    def speaks_of_us(self, page: FeedPage) -> bool:
        """Whether a page holds a fact of this node."""
        return any(_node_of(item.sealed()) == self.store.author.node for item in page.items)

    def start_again(self, why: StartAgain, *, hub_seq: int | None = None) -> None:
        """A new incarnation, with what the hub has not acknowledged carried over."""
        fresh = Fresh(inc=self.new_id(), opening_id=self.new_id())
        with self.store.writing() as tx:
            was = tx.node()
            carried = tx.begin_again(fresh, reason=why.reason, now=self.now(), hub_seq=hub_seq)
        log.warning(
            "new incarnation", reason=why.reason, was=str(was.inc), acked_seq=was.acked_seq, carried=carried
        )

    def hear(self, search: Search, said: HashAtDocument) -> Search | None:
        """One step of the search for the common prefix."""
        with self.store.writing() as tx:
            return epochs.hear(tx.log, search, HashAt(said.epoch, said.position, said.feed_hash))

    def adopt(self, search: Search) -> int:
        """Follow the new epoch; gives how many positions were cut."""
        with self.store.writing() as tx:
            cut = epochs.adopt(tx.log, search)
            drop_list(tx.c)  # It speaks of another feed.
            return cut

    def take_list(self, said: BlockedList) -> None:
        """Keep what the hub says is stopped, until the records behind it are here. Raises ValueError."""
        with self.store.writing() as tx:
            take_list(tx.c, said)

    def list_of(self) -> str | None:
        """The digest of the ready file whose list is kept."""
        with self.store.reading() as c:
            return list_of(c)

    def given_back(self, answer: GivenBack) -> int:
        """Mark what the hub has settled or refused; gives how many."""
        done = (*answer.settled, *answer.refused)
        with self.store.writing() as tx:
            epochs.given_back(tx.log, answer.epoch, done)
        return len(done)

    def blocks_to_alert(self, than_more: int) -> tuple[Sealed, ...]:
        """The unsent facts that block, when the hub would have to wait for them through more than one push."""
        with self.store.reading() as c:
            here = node_row(c)
            if here is None or here.seq - here.acked_seq <= than_more:
                return ()
            c.execute(_BLOCKS, (here.inc.hex, here.acked_seq, MOST_ALERTS))
            return tuple(sealed_of(row[0]) for row in c.fetchall())

    def beat(self) -> BeatDocument | None:
        """Where the node stands; None when it may not beat. Standings are compared only when nothing is unsent."""
        beat_id = self.new_id()
        with self.store.writing() as tx:
            beat = beats.to_beat(tx.log, beat_id)
        if beat is None:
            return None
        return BeatDocument(
            beat=beat.beat,
            inc=beat.inc,
            parent=beat.parent,
            seq=beat.seq,
            epoch=beat.epoch,
            position=beat.position,
            feed_hash=beat.feed_hash,
            ticket=beat.ticket,
            digest=self._digest(beat),
        )

    def take_beat_answer(self, heard: BeatHeard) -> StartAgain | None:
        """Keep the next ticket, and the hub's signed word about where it stands."""
        said = heard.answer
        with self.store.writing() as tx:
            found = beats.take_beat_answer(tx.log, BeatAnswer(said.verdict, said.inc, said.ticket))
            tx.c.execute(_PUT_WORD, (heard.body, heard.signature))
        return found

    def evidence(self) -> Evidence | None:
        """The hub's last signed word about where it stands."""
        with self.store.reading() as c:
            c.execute("select body, signature from hub_word")
            row = c.fetchone()
        return None if row is None else Evidence(text(row[0]), text(row[1]))

    def enrolment(self) -> Sealed | None:
        """The hub's own fact that this node was enrolled."""
        with self.store.reading() as c:
            c.execute(_ENROLLED, (self.store.hub_node, NODE_ENROLLED, f"node/{self.store.author.node}"))
            row = c.fetchone()
        return None if row is None else sealed_of(row[0])

    def rebuild(self) -> int:
        """Fold every standing again; gives how many had to change."""
        self._digest_of = None
        return rebuild(self.store)

    def _digest(self, beat: beats.Beat) -> str | None:
        with self.store.reading() as c:
            here = node_row(c)
            if here is None or (here.feed.position, here.seq) != (beat.position, beat.seq):
                return None  # Something came in between: the next beat says it.
            if unfolded(c, 1):
                return None  # In the middle of a long feed there is nothing to compare yet.
            return None if _has_unsent(c, here) else self._digest_at(c, here)

    def _digest_at(self, c: Cursor, here: Standpoint) -> str:
        known = self._digest_of
        if known is not None and (known[0].feed, known[0].inc, known[0].seq) == (
            here.feed,
            here.inc,
            here.seq,
        ):
            return known[1]
        found = look.standing_digest(c)
        self._digest_of = (here, found)
        return found


def _node_of(sealed: Sealed) -> str | None:
    try:
        return link_of(sealed).envelope.place.node
    except Malformed:
        return None


def _has_unsent(c: Cursor, here: Standpoint) -> bool:
    """Whether a fact is held here that the hub's feed, as far as it was read, does not hold."""
    c.execute("select 1 from fact where position is null limit 1")
    return here.acked_seq < here.seq or c.fetchone() is not None
