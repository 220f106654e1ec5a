"""A shop that is behind folds each standing once, at the head; until then whoever looks one up gets what its facts say."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from random import Random
from uuid import UUID

import pytest
from tests.benchmarks.the_first_reading import NOW, Writer, long_feed, new_reader, pages
from tests.contracts.test_three_folds_agree import chained, in_memory
from tests.cylinder.histories import drawn

from branch.conversation import FOLDS_A_COMMIT, Conversation
from branch.store import BranchStore
from branch.store import views as look
from branch.store.rows import cached_standing, standing_row, unfolded
from branch.verify import check
from cylinder import facts as f
from cylinder.recorded import cylinder_of, cylinder_subject
from eventlog import read

SEEDS = range(6)


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[tuple[BranchStore, BranchStore]]:
    """Two nodes that have read nothing yet."""
    two = (new_reader(tmp_path / "puts-off", Writer("hub")), new_reader(tmp_path / "folds", Writer("hub")))
    yield two
    for one in two:
        one.close()


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_put_off_is_looked_up_as_if_it_were_folded(
    stores: tuple[BranchStore, BranchStore], seed: int
) -> None:
    random, (behind, folds) = Random(seed), stores
    history = chained(drawn(random, most=40))
    seen: list[int] = []
    for start in range(0, len(history), 5):
        for store in stores:
            with store.writing() as tx:
                for link in history[start : start + 5]:
                    tx.log.keep(link, position=None, is_proven=True)
                if store is behind:
                    tx.log.folded.put_off(tx.c)
        with behind.reading() as late, folds.reading() as now:
            seen.append(len(unfolded(late, 1000)))
            assert look.standing_digest(late) == look.standing_digest(now) == in_memory(history[: start + 5])
            marks = [one.serial for known in look.every_standing(now) for one in known.marks]
            for serial in marks:
                assert look.near_serial(late, serial) == look.near_serial(now, serial)
    assert max(seen) > 0
    with behind.writing() as tx:
        while tx.fold_put_off(1):
            pass
        assert not unfolded(tx.c, 1)
    with behind.reading() as late, folds.reading() as now:
        for cylinder_id in look.standing_ids(now):
            assert cached_standing(late, cylinder_id) == cached_standing(now, cylinder_id)
        for c in (late, now):
            c.execute("select cylinder_id, bare from serial_claim order by 1, 2")
        assert late.fetchall() == now.fetchall()


def test_a_cylinder_condemned_in_the_middle_of_a_long_feed_is_stopped_before_the_feed_is_read(
    tmp_path: Path,
) -> None:
    hub, feed = long_feed(3 * FOLDS_A_COMMIT)
    shop = Writer("reef")
    victim = _a_cylinder(feed[7].raw)
    condemned = f.Condemned(
        reason="Crack", criterion_id="c.crack", criterion="A crack", clause="a clause", serial_read="B0000001"
    )
    feed = (*feed[:40], shop.records(condemned, cylinder_subject(victim)), *feed[40:])
    store = new_reader(tmp_path / "gannet", hub)
    talk = Conversation(store, UUID, lambda: NOW)
    for page in list(pages(feed, 20))[:3]:
        talk.absorb(page, heard_at=NOW)
        with store.reading() as c:
            cached = cached_standing(c, victim)
            assert cached is None or cached.is_clear
    with store.reading() as c:
        known = standing_row(c, victim)
        assert known is not None
        assert known.is_condemned
        (found, *_) = look.near_serial(c, known.marks[0].serial)
        assert found.standing.is_condemned
    assert not check(store).problems
    store.close()


def test_killed_between_two_pages_or_two_folds_it_goes_on_and_nothing_waits_at_the_head(
    tmp_path: Path,
) -> None:
    hub, feed = long_feed(120)
    every = list(pages(feed, 40))
    store = new_reader(tmp_path / "gannet", hub)
    whole = new_reader(tmp_path / "whole", hub)
    for page in every:
        with whole.writing() as tx:
            tx.absorb(page, heard_at=NOW)
        store = _again(store)
        Conversation(store, UUID, lambda: NOW).absorb(page, heard_at=NOW)
        if page is every[-2]:
            with store.writing() as tx:
                assert tx.fold_put_off(5) == 5
            store = _again(store)
            with store.reading() as c:
                assert unfolded(c, 1)
    with store.reading() as c, whole.reading() as other:
        assert not unfolded(c, 1)
        assert look.standing_digest(c) == look.standing_digest(other)
    store.close()
    whole.close()


def _again(store: BranchStore) -> BranchStore:
    """As after a kill: whatever was not committed is gone."""
    store.close()
    return BranchStore(store.path, store.author, hub_node="hub")


def _a_cylinder(raw: bytes) -> UUID:
    found = cylinder_of(read(raw).event.subject)
    assert found is not None
    return found
