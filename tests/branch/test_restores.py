"""A database from a backup, a lost one, a clone, a hub that was put back: found out, and healed without a command."""

from __future__ import annotations

import asyncio
import datetime as dt
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.branch.a_hub import AHub, connect, head_of, shop_at
from tests.branch.a_shop import RATED, Clock, Shop, open_shop, world

from branch.enrolment import KEY, key_to_ask_with, settle
from branch.link import why_in_doubt
from branch.marker import FOLDER
from branch.node import wake_store
from branch.settings import read_settings
from branch.store.rows import node_row
from branch.verify import check
from branch.web.pages.render import chips
from cylinder import commands as c
from cylinder.refusal import Refused
from eventlog.feed import PageRefused
from eventlog.hub_client import HubRefused, HubUnreachable
from sync.standpoint import Standpoint


@pytest.fixture
def hub() -> AHub:
    return AHub(Clock())


@pytest.fixture
def shop(tmp_path: Path, hub: AHub) -> Iterator[Shop]:
    made = shop_at(hub, tmp_path, "pier")
    in_step(made)
    yield made
    made.node.store.close()


def in_step(*shops: Shop) -> None:
    """What the loops do until there is nothing more to do."""
    for _ in range(3):
        for one in shops:
            asyncio.run(one.node.sync.push_all())
            asyncio.run(one.node.sync.pull_all())


def beat(shop: Shop) -> None:
    asyncio.run(shop.node.sync.beat_once())


def here(shop: Shop) -> Standpoint:
    with shop.node.store.reading() as cursor:
        row = node_row(cursor)
    assert row is not None
    return row


def data_of(shop: Shop) -> Path:
    return shop.node.store.path.parent


def backup(shop: Shop, to: Path) -> Path:
    """What a backup program that heeds CACHEDIR.TAG would take."""
    with shop.node.store.reading() as cursor:
        cursor.execute("pragma wal_checkpoint(full)")
    shutil.copytree(data_of(shop), to, ignore=shutil.ignore_patterns(FOLDER))
    return to


def restore(shop: Shop, hub: AHub, kept: Path, *, with_marker: bool = True) -> Shop:
    """The machine stops, the backup is put in place, the machine starts. The line is there, but nothing was said yet."""
    data = data_of(shop)
    shop.node.store.close()
    for file in data.glob("branch.sqlite*"):
        file.unlink()
    shutil.copy(kept / "branch.sqlite", data / "branch.sqlite")
    if not with_marker:
        shutil.rmtree(data / FOLDER)
    again = open_shop(data, shop.clock)
    shop.node = again.node
    return connect(shop, hub)


def may_fill(shop: Shop) -> bool:
    """Whether a fill of a good cylinder that stands before the valve is authorised now."""
    visit_id = next(visit.id for visit in shop.node.desk.open_visits() if visit.step == "target")
    try:
        shop.do(c.Authorise, visit_id=visit_id, target=RATED)
    except Refused:
        return False
    return True


def test_a_database_behind_its_marker_begins_again_before_it_writes_and_fills_nothing_until_it_has_read_on(
    shop: Shop, hub: AHub, tmp_path: Path
) -> None:
    shop.up_to("target")
    kept = backup(shop, tmp_path / "kept")
    was = here(shop)
    shop.greet(tag=15)
    in_step(shop)
    restore(shop, hub, kept)
    found = here(shop)
    assert (found.relearning, found.parent) == ("restore", was.inc)
    assert "came from a backup" in why_in_doubt(found, shop.node.sync.link)
    assert "in doubt: do not fill" in [chip.strong for chip in chips(shop.node, shop.clock.now())]
    assert not may_fill(shop)
    in_step(shop)
    assert here(shop).relearning == ""
    assert may_fill(shop)
    assert hub.kinds.count("visit.cylinder_received") == 2
    assert {visit.tag for visit in shop.node.desk.open_visits()} >= {14}


def test_what_was_recorded_after_the_backup_comes_back_from_the_network(
    shop: Shop, hub: AHub, tmp_path: Path
) -> None:
    shop.up_to("identify")
    kept = backup(shop, tmp_path / "kept")
    visit_id = shop.up_to("rating", tag=15)
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    shop.condemn(cylinder_id)
    in_step(shop)
    before = check(shop.node.store)
    restore(shop, hub, kept)
    in_step(shop)
    after = check(shop.node.store)
    assert after.problems == ()
    assert after.standing_digest == before.standing_digest
    assert visit_id in {visit.id for visit in shop.node.desk.open_visits()}
    with pytest.raises(Refused, match="Condemned on"):
        shop.do(c.ReadRating, visit_id=visit_id, rated=RATED)


def test_a_restore_without_marker_fills_nothing_before_the_feed_was_read_to_its_end(
    shop: Shop, hub: AHub, tmp_path: Path
) -> None:
    shop.up_to("target")
    kept = backup(shop, tmp_path / "kept")
    shop.greet(tag=15)
    in_step(shop)
    was = head_of(shop)
    restore(shop, hub, kept, with_marker=False)
    assert here(shop).relearning == "no marker"
    assert not may_fill(shop)
    asyncio.run(shop.node.sync.pull_all())
    assert here(shop).inc != was.inc, "the feed holds what this node does not: it found out by reading"
    assert may_fill(shop)


def test_a_restore_without_marker_is_found_by_the_answer_to_a_push(
    shop: Shop, hub: AHub, tmp_path: Path
) -> None:
    kept = backup(shop, tmp_path / "kept")
    shop.up_to("rating")
    in_step(shop)
    was = head_of(shop)
    restore(shop, hub, kept, with_marker=False)
    shop.greet(tag=20)
    asyncio.run(shop.node.sync.push_all())
    assert here(shop).parent == was.inc
    in_step(shop)
    assert here(shop).acked_seq == here(shop).seq
    assert hub.kinds.count("visit.cylinder_received") == 2


def test_a_restore_without_marker_is_found_by_the_beat(shop: Shop, hub: AHub, tmp_path: Path) -> None:
    beat(shop)
    kept = backup(shop, tmp_path / "kept")
    was = head_of(shop)
    beat(shop)
    beat(shop)
    restore(shop, hub, kept, with_marker=False)
    beat(shop)
    assert here(shop).parent == was.inc
    assert here(shop).relearning == "restore"
    beat(shop)
    in_step(shop)
    assert here(shop).relearning == ""


def test_a_crash_between_the_commit_and_the_marker_is_no_restore(
    shop: Shop, hub: AHub, tmp_path: Path
) -> None:
    in_step(shop)
    shop.node.store.close()
    marker = data_of(shop) / FOLDER / "marker"
    lagging = marker.read_bytes()
    again = connect(open_shop(data_of(shop), shop.clock), hub)
    again.greet(tag=20)
    was = head_of(again)
    again.node.store.close()
    assert marker.read_bytes() != lagging
    marker.write_bytes(lagging)
    once_more = open_shop(data_of(shop), shop.clock)
    assert head_of(once_more) == was
    with once_more.node.store.reading() as cursor:
        row = node_row(cursor)
    assert row is not None
    assert row.relearning == ""
    once_more.node.store.close()


def test_a_marker_that_was_changed_is_none(shop: Shop) -> None:
    shop.node.store.close()
    marker = data_of(shop) / FOLDER / "marker"
    marker.write_bytes(marker.read_bytes().replace(b'"seq":', b'"seq":1'))
    again = open_shop(data_of(shop), shop.clock)
    assert here(again).relearning == "no marker"
    again.node.store.close()


def test_the_marker_s_folder_carries_the_tag_that_backup_programs_know(shop: Shop) -> None:
    import hashlib

    tag = (data_of(shop) / FOLDER / "CACHEDIR.TAG").read_text()
    # Cache Directory Tagging Specification: the signature is the MD5 of ".IsCacheDirectory".
    assert tag.startswith(
        f"Signature: {hashlib.md5(b'.IsCacheDirectory', usedforsecurity=False).hexdigest()}"
    )


def test_a_lost_database_with_its_marker_left_begins_as_lost(shop: Shop, hub: AHub) -> None:
    shop.up_to("rating")
    in_step(shop)
    data = data_of(shop)
    shop.node.store.close()
    for file in data.glob("branch.sqlite*"):
        file.unlink()
    shop.node = open_shop(data, shop.clock).node
    connect(shop, hub)
    assert here(shop).relearning == "lost"
    in_step(shop)
    assert here(shop).relearning == ""
    assert hub.state.feed[-1].link.envelope.event.body["reason"] == "lost"
    assert shop.node.desk.open_visits() == () or shop.node.desk.open_visits()[0].tag == 14


def test_a_hub_with_a_new_epoch_gets_everything_back_and_nobody_types_a_command(
    shop: Shop, hub: AHub, tmp_path: Path
) -> None:
    other = shop_at(hub, tmp_path, "quay")
    in_step(shop, other)
    kept = hub.state.copy()
    visit_id = shop.up_to("rating")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    shop.condemn(cylinder_id)
    in_step(shop, other)
    everything = sorted(row.link.envelope.event.id for row in hub.state.feed)
    hub.restored_from(kept)
    hub.gets_a_new_epoch("e2")
    in_step(other, shop, other)
    held = {row.link.envelope.event.id for row in hub.state.feed}
    assert held >= set(everything)
    assert len(held) == len(hub.state.feed), "no fact has two positions"
    for one in (shop, other):
        assert here(one).feed.epoch == "e2"
        assert check(one.node.store).problems == ()
        assert here(one).feed.position == len(hub.state.feed)
    assert check(shop.node.store).standing_digest == check(other.node.store).standing_digest
    other.node.store.close()


def test_a_dead_shops_facts_come_back_from_another_that_still_holds_them(
    shop: Shop, hub: AHub, tmp_path: Path
) -> None:
    other = shop_at(hub, tmp_path, "quay")
    in_step(shop, other)
    kept = hub.state.copy()
    visit_id = other.up_to("rating")
    cylinder_id = other.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    other.condemn(cylinder_id)
    in_step(other, shop)
    condemned = other.node.desk.open_visits()
    other.node.store.close()
    hub.restored_from(kept)
    hub.gets_a_new_epoch("e2")
    assert "cylinder.condemned" not in hub.kinds
    in_step(shop)
    assert hub.kinds.count("cylinder.condemned") == 1
    assert condemned


def test_a_hub_that_was_rolled_back_unseen_is_shown_its_own_word_and_stops(shop: Shop, hub: AHub) -> None:
    kept = hub.state.copy()
    shop.up_to("rating")
    in_step(shop)
    beat(shop)
    heard = shop.node.sync.link.heard_at
    hub.restored_from(kept)
    with pytest.raises(HubRefused):
        asyncio.run(shop.node.sync.pull_all())
    assert hub.is_stopped
    assert shop.node.sync.link.heard_at == heard
    with pytest.raises(HubUnreachable):
        asyncio.run(shop.node.sync.pull_all())
    hub.gets_a_new_epoch("e2")
    in_step(shop)
    assert here(shop).feed.position == len(hub.state.feed)


def test_a_hub_that_went_on_after_an_unseen_rollback_is_shown_its_own_word(shop: Shop, hub: AHub) -> None:
    kept = hub.state.copy()
    shop.greet(tag=20)
    in_step(shop)
    beat(shop)
    hub.restored_from(kept)
    for _ in range(12):
        hub.says("node.noted", "node/hub", {})
    with pytest.raises(PageRefused):
        asyncio.run(shop.node.sync.pull_all())
    assert hub.is_stopped


def test_a_hub_that_forgot_this_node_is_shown_its_own_fact_and_knows_it_again(shop: Shop, hub: AHub) -> None:
    forgotten = {key: value for key, value in hub.state.keys.items() if key[0] == "hub"}
    hub.state.keys = forgotten
    shop.greet(tag=20)
    with pytest.raises(HubRefused):
        asyncio.run(shop.node.sync.push_all())
    assert asyncio.run(shop.node.sync.is_known_again())
    in_step(shop)
    assert here(shop).acked_seq == here(shop).seq


def test_a_block_overtakes_a_backlog_of_more_than_one_push(
    shop: Shop, hub: AHub, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("branch.sync.MOST_ENVELOPES_A_PUSH", 3)
    visit_id = shop.up_to("rating")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    shop.condemn(cylinder_id)
    hub.asked.clear()
    asyncio.run(shop.node.sync.push_all())
    assert hub.asked.index("POST alerts") < hub.asked.index("POST events")
    assert hub.kinds.count("cylinder.condemned") == 1
    in_step(shop)
    assert here(shop).acked_seq == here(shop).seq
    assert check(shop.node.store).problems == ()


def test_a_clone_is_found_by_its_beat_and_both_stop_filling(shop: Shop, hub: AHub, tmp_path: Path) -> None:
    shop.up_to("target")
    in_step(shop)
    beat(shop)
    twin_data = tmp_path / "elsewhere"
    twin_data.mkdir()
    backup(shop, twin_data / "pier")
    twin = connect(open_shop(twin_data / "pier", shop.clock), hub)
    beat(shop)
    beat(shop)
    beat(twin)
    assert here(twin).parent == here(shop).inc, "it came with a used ticket, and began again"
    beat(twin)
    beat(shop)
    assert here(shop).is_suspected
    assert not may_fill(shop)
    assert "enrolled anew" in why_in_doubt(here(shop), shop.node.sync.link)
    in_step(twin)
    assert here(twin).is_suspected
    assert not may_fill(twin)
    twin.node.store.close()


def test_standings_that_differ_from_the_networks_stop_the_fill_until_they_agree(
    shop: Shop, hub: AHub
) -> None:
    shop.up_to("target")
    in_step(shop)
    hub.digest = "differ"
    beat(shop)
    assert not may_fill(shop)
    assert "different conclusions" in why_in_doubt(here(shop), shop.node.sync.link)
    hub.digest = "agree"
    beat(shop)
    assert may_fill(shop)


def test_standings_are_not_compared_while_something_is_unsent(shop: Shop, hub: AHub) -> None:
    hub.digest = "differ"
    shop.greet(tag=20)
    beat(shop)
    assert not shop.node.sync.link.standings_differ


def test_a_beat_that_is_brought_again_after_hours_changes_nothing(shop: Shop, hub: AHub) -> None:
    beat(shop)
    was = here(shop).ticket
    shop.clock.move(dt.timedelta(hours=3))
    stale = AHub(Clock(), key=hub.key, state=hub.state)
    connect(shop, stale)
    with pytest.raises(PageRefused, match="long past"):
        beat(shop)
    assert here(shop).ticket == was


def test_the_same_backup_restored_twice_makes_two_incarnations_and_loses_neither(
    shop: Shop, hub: AHub, tmp_path: Path
) -> None:
    shop.up_to("identify")
    in_step(shop)
    kept = backup(shop, tmp_path / "kept")
    was = here(shop)
    shop.greet(tag=20)
    in_step(shop)
    restore(shop, hub, kept)
    first = here(shop)
    shop.greet(tag=21)
    in_step(shop)
    restore(shop, hub, kept, with_marker=False)
    shop.greet(tag=22)
    in_step(shop)
    second = here(shop)
    assert len({was.inc, first.inc, second.inc}) == 3
    assert {visit.tag for visit in shop.node.desk.open_visits()} == {14, 20, 21, 22}
    assert hub.kinds.count("visit.cylinder_received") == 4
    assert check(shop.node.store).problems == ()


def test_a_database_whose_write_ahead_file_is_gone_is_known_as_an_older_one(shop: Shop, hub: AHub) -> None:
    in_step(shop)
    with shop.node.store.reading() as cursor:
        cursor.execute("pragma wal_checkpoint(truncate)")
    database = shop.node.store.path
    without_wal = database.read_bytes()
    was = here(shop)
    shop.greet(tag=20)
    shop.node.store.close()
    for file in data_of(shop).glob("branch.sqlite*"):
        file.unlink()
    database.write_bytes(without_wal)
    shop.node = open_shop(data_of(shop), shop.clock).node
    connect(shop, hub)
    assert here(shop).parent == was.inc
    assert here(shop).relearning == "restore"


def test_an_empty_disk_begins_as_lost_and_only_what_was_never_sent_is_gone(shop: Shop, hub: AHub) -> None:
    shop.up_to("identify")
    in_step(shop)
    shop.up_to("outside", visit_id=shop.node.desk.open_visits()[0].id)
    data = data_of(shop)
    shop.node.store.close()
    for file in data.glob("branch.sqlite*"):
        file.unlink()
    shutil.rmtree(data / FOLDER)
    (data / KEY).unlink()
    hub.lets_in("pier", key_to_ask_with(data, Ed25519PrivateKey.generate()))
    settle(data, read_settings(data))
    wake_store(data, read_settings(data), world(shop.clock), is_lost=True).close()
    shop.node = open_shop(data, shop.clock).node
    connect(shop, hub)
    in_step(shop)
    opened = [
        row.link.envelope.event for row in hub.state.feed if row.link.envelope.event.kind == "node.log_opened"
    ]
    assert opened[-1].body["reason"] == "lost"
    (visit,) = shop.node.desk.open_visits()
    assert (visit.tag, visit.step) == (14, "identify")
    assert check(shop.node.store).problems == ()
