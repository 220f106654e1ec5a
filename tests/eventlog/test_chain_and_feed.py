"""How runs follow on, what a receiver says when they do not, and which pages of the feed continue a reader."""

from __future__ import annotations

import base64
import datetime as dt
import uuid
from dataclasses import replace

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given
from hypothesis import strategies as st

from eventlog import Effect, Event, Malformed, Place, Sealed, Seen, seal
from eventlog.chain import LOG_OPENED, Head, judge, links
from eventlog.event import NO_HASH
from eventlog.feed import Cursor, NewEpoch, PageRefused, check_page, next_feed_hash
from eventlog.keys import key_id
from eventlog.wire import FeedItem, FeedPage

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
AT = dt.datetime(2026, 6, 14, 9, 41, tzinfo=dt.UTC)
INC = uuid.UUID(int=1)


def log(length: int, *, inc: uuid.UUID = INC, salt: str = "", opening: str = LOG_OPENED) -> list[Sealed]:
    """A node's log of this length; another salt makes another history."""
    out: list[Sealed] = []
    prev = NO_HASH
    for seq in range(1, length + 1):
        event = Event(
            id=uuid.uuid5(inc, f"{seq}{salt}"), kind=opening if seq == 1 else "cylinder.received", v=1,
            effect=Effect.NEUTRAL, subject="cylinder/c-1", body={"salt": salt}, performed_on=AT.date(), at=AT,
            seen=Seen(), actor="sam", role="operator", software="test",
        )  # fmt: skip
        out.append(
            seal(event, Place("quay", key_id(KEY.public_key()), inc, seq, prev), recorded_at=AT, key=KEY)
        )
        prev = out[-1].hash
    return out


def head_at(held: list[Sealed]) -> Head:
    return Head(INC, len(held), held[-1].hash) if held else Head(INC)


def known(held: list[Sealed]) -> dict[int, str]:
    return {seq: one.hash for seq, one in enumerate(held, start=1)}


WHOLE = log(6)


@given(st.integers(0, 6), st.integers(0, 5), st.integers(1, 6))
def test_every_run_of_a_true_log_is_judged_by_where_it_stands(held: int, first: int, length: int) -> None:
    run = WHOLE[first : first + length]
    verdict = judge(links(run), head_at(WHOLE[:held]), known=known(WHOLE[:held]))
    last = first + len(run)
    if first > held:
        assert (verdict.answer, verdict.at_seq) == ("gap", held + 1)
    elif last <= held:
        assert verdict.answer == "same"
    else:
        assert verdict.answer == "accepted"
        assert [link.sealed for link in verdict.fresh] == WHOLE[held:last]


def test_another_envelope_at_a_known_place_is_a_fork_even_when_the_rest_is_known() -> None:
    other = log(4, salt="other")
    verdict = judge(links([WHOLE[0], *other[1:2]]), head_at(WHOLE[:4]), known=known(WHOLE[:4]))
    assert (verdict.answer, verdict.at_seq) == ("fork", 2)


def test_a_run_that_does_not_carry_the_hash_before_it_is_broken() -> None:
    other = log(4, salt="other")
    verdict = judge(links(other[2:]), head_at(WHOLE[:2]), known={})
    assert (verdict.answer, verdict.at_seq) == ("broken", 3)


def test_a_break_inside_the_run_is_found() -> None:
    other = log(4, salt="other")
    verdict = judge(links([WHOLE[0], WHOLE[1], other[2]]), Head(INC), known={})
    assert (verdict.answer, verdict.at_seq) == ("broken", 3)


def test_a_log_that_does_not_begin_with_its_opening_is_broken() -> None:
    verdict = judge(links(log(2, opening="cylinder.received")), Head(INC), known={})
    assert (verdict.answer, verdict.at_seq) == ("broken", 1)


@pytest.mark.parametrize(
    "run", [[], [WHOLE[0], WHOLE[2]], [WHOLE[1], WHOLE[0]], [WHOLE[0], log(2, inc=uuid.UUID(int=2))[1]]]
)
def test_a_run_that_is_not_consecutive_or_of_one_log_is_malformed(run: list[Sealed]) -> None:
    with pytest.raises(Malformed):
        links(run)


def page_of(items: list[Sealed], *, after: int = 0, before: str = NO_HASH, epoch: str = "e1") -> FeedPage:
    feed_hash = before
    for one in items:
        feed_hash = next_feed_hash(feed_hash, one.hash)
    return FeedPage(
        epoch=epoch,
        after=after,
        head=after + len(items),
        items=tuple(
            FeedItem(
                position=after + n,
                received_at=AT,
                raw=one.raw.decode(),
                signature=base64.b64encode(one.signature).decode(),
            )
            for n, one in enumerate(items, start=1)
        ),
        feed_hash=feed_hash,
        hub_time=AT,
    )


@given(st.lists(st.integers(1, 3), max_size=6))
def test_any_cut_of_the_feed_into_pages_ends_at_the_same_hash(sizes: list[int]) -> None:
    cursor, whole = Cursor(), page_of(WHOLE)
    for size in [*sizes, 6]:
        rest = WHOLE[cursor.position : cursor.position + size]
        hashes = check_page(page_of(rest, after=cursor.position, before=cursor.feed_hash), cursor)
        if hashes:
            cursor = Cursor("e1", cursor.position + len(hashes), hashes[-1])
    assert (cursor.position, cursor.feed_hash) == (6, whole.feed_hash)


STANDS = Cursor("e1", 2, page_of(WHOLE[:2]).feed_hash)
NEXT = page_of(WHOLE[2:4], after=2, before=STANDS.feed_hash)


@pytest.mark.parametrize(
    "page",
    [
        page_of(WHOLE[:2]),
        page_of(WHOLE[3:4], after=3),
        NEXT.model_copy(update={"items": NEXT.items[1:]}),
        NEXT.model_copy(update={"items": NEXT.items[::-1]}),
        NEXT.model_copy(update={"feed_hash": NO_HASH}),
        page_of(WHOLE[2:4], after=2),
    ],
    ids=["stale", "ahead", "hole", "swapped", "another hash", "another history"],
)
def test_a_page_that_does_not_continue_the_reader_is_refused(page: FeedPage) -> None:
    with pytest.raises(PageRefused):
        check_page(page, STANDS)


def test_a_page_of_another_epoch_is_told_apart() -> None:
    with pytest.raises(NewEpoch):
        check_page(page_of(WHOLE[2:4], after=2, before=STANDS.feed_hash, epoch="e2"), STANDS)


def test_a_reader_that_knows_no_epoch_takes_the_first() -> None:
    assert len(check_page(page_of(WHOLE), replace(STANDS, epoch="none", position=0, feed_hash=NO_HASH))) == 6
