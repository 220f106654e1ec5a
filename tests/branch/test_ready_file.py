"""A shop that begins with nothing starts from the hub's ready file, and ends where one does that read page by page."""

from __future__ import annotations

import asyncio
import copy
import dataclasses
import os
import shutil
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import ParamSpec, TypeVar

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.branch.a_hub import connect, shop_at
from tests.branch.a_ready_file import PackingHub
from tests.branch.a_shop import MARKS, Clock, Shop, open_shop

from branch import ready_file, witness
from branch.store import views as look
from branch.store.known_against import KNOWN_AGAINST_IT, known_ids
from branch.store.rows import own_standing, standing_row, unfolded
from branch.verify import check
from cylinder import commands as c
from cylinder.gather import Filed
from cylinder.marks import Marks
from cylinder.recorded import origin_of, recorded
from cylinder.refusal import Refused
from cylinder.standing import digest
from eventlog.checkpoint import Checkpoint, sign_checkpoint
from eventlog.hub_client import HubRefused, HubUnreachable
from eventlog.keys import key_id
from eventlog.snapshot import pages, sign_manifest, walk
from eventlog.tree import Edge, grow

ITEMS = 4
Given = ParamSpec("Given")
Result = TypeVar("Result")


@dataclass
class Network:
    """A hub with some facts and a condemnation in its feed, all of them in its ready file, and a folder for new shops."""

    hub: PackingHub
    folder: Path
    victim: uuid.UUID
    opened: list[Shop] = dataclasses.field(default_factory=list)

    def new_shop(self, slug: str) -> Shop:
        """A shop that has read nothing yet. It stands in the feed beyond the file."""
        shop = shop_at(self.hub, self.folder, slug)
        return self._few_a_page(shop)

    def started_again(self, shop: Shop) -> Shop:
        """As after a kill: what was not committed is gone, the files lie where they lay."""
        data = shop.node.store.path.parent
        shop.node.store.close()
        self.opened.remove(shop)
        return self._few_a_page(connect(open_shop(data, shop.clock), self.hub))

    def _few_a_page(self, shop: Shop) -> Shop:
        shop.node.sync.ready.items_a_page = ITEMS
        self.opened.append(shop)
        return shop


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> tuple[PackingHub, uuid.UUID]:
    """A hub with the facts of one shop, packed; and the cylinder that the shop has condemned."""
    hub = PackingHub(Clock())
    reef = shop_at(hub, tmp_path_factory.mktemp("begun"), "reef")
    in_step(reef)
    reef.up_to("dates", tag=20, marks=Marks(serial="B171925", maker="ZQ", spec="3AL", first_test="2021-07"))
    victim = reef.visit(reef.up_to("dates")).cylinder_id
    assert victim is not None
    reef.condemn(victim)
    in_step(reef)
    reef.node.store.close()
    hub.pack()
    return hub, victim


@pytest.fixture
def network(begun: tuple[PackingHub, uuid.UUID], tmp_path: Path) -> Iterator[Network]:
    hub, victim = copy.copy(begun[0]), begun[1]
    hub.clock, hub.state, hub.lines, hub.asked, hub.ranges = Clock(), hub.state.copy(), [*hub.lines], [], []
    made = Network(hub, tmp_path, victim)
    yield made
    for shop in made.opened:
        shop.node.store.close()


def in_step(*shops: Shop) -> None:
    """What the loops do until there is nothing more to do."""
    for _ in range(3):
        for one in shops:
            asyncio.run(one.node.sync.push_all())
            asyncio.run(one.node.sync.pull_all())


def pull(shop: Shop) -> None:
    asyncio.run(shop.node.sync.pull_all())


def files(shop: Shop) -> list[str]:
    folder = shop.node.store.path.parent / ready_file.FOLDER
    return sorted(path.name for path in folder.iterdir()) if folder.exists() else []


def position(shop: Shop) -> int:
    with shop.node.store.writing() as tx:
        return tx.node().feed.position


def stored(shop: Shop) -> list[list[tuple[object, ...]]]:
    """Every byte that follows from the feed."""
    asked = (
        "select event_id, inc, seq, position, envelope_hash, is_proven, state from fact_state where position > 0 order by 4",
        "select position, feed_hash from feed_copy order by position",
        "select envelope_hash, position, state from unread_item order by envelope_hash",
        "select cylinder_id, document from standing order by cylinder_id",
        "select cylinder_id, bare from serial_claim order by cylinder_id, bare",
        "select key_id, node, public_key, name from node_key order by key_id",
        "select * from known_against",
        "select * from known_against_list",
        "select * from unfolded",
    )
    found: list[list[tuple[object, ...]]] = []
    with shop.node.store.reading() as cursor:
        for sql in asked:
            cursor.execute(sql)
            found.append([tuple(row) for row in cursor.fetchall()])
    return found


def is_whole(network: Network, shop: Shop) -> None:
    """It has read everything, and its standings are those that the hub's facts give."""
    in_step(shop)
    found, filed = check(shop.node.store), Filed()
    for row in network.hub.state.feed:
        filed.put(recorded(row.link.envelope.event, origin_of(row.link.envelope.place)))
    assert (found.position, found.problems) == (len(network.hub.state.feed), ())
    assert found.standing_digest == digest(map(filed.standing, filed.cylinders()))
    assert shop.node.sync.link.state == "live"
    assert files(shop) == []
    with shop.node.store.reading() as cursor:
        assert not known_ids(cursor)
        assert not unfolded(cursor, 1)


def is_the_same(network: Network, shop: Shop) -> None:
    """It holds, byte for byte, what a shop holds that has read the feed page by page."""
    is_whole(network, shop)
    network.hub.manifest = None
    other = network.new_shop("other")
    in_step(other, shop)
    assert position(shop) == position(other) == len(network.hub.state.feed)
    assert stored(shop) == stored(other)


def test_a_new_shop_reads_the_file_then_the_tail_and_holds_the_same_bytes_as_one_that_read_page_by_page(
    network: Network,
) -> None:
    shop = network.new_shop("gannet")
    pull(shop)
    assert network.hub.ranges == [""]
    assert shop.node.sync.link.heard_at == shop.clock.now()
    assert shop.node.sync.link.ready_file == ""
    is_the_same(network, shop)
    assert network.hub.ranges == [""], "it is read once"


def test_nothing_is_heard_by_a_file_alone(network: Network) -> None:
    """What stands in it was true when it was made. Only the hub's own page at the head is news."""
    shop = network.new_shop("gannet")
    manifest = network.hub.manifest
    assert manifest is not None
    while position(shop) < manifest.position:
        with shop.node.store.writing() as tx:
            here = tx.node()
        assert asyncio.run(shop.node.sync._read_ready_file(here))
        with shop.node.store.writing() as tx:
            assert tx.node().heard_at is None
        assert shop.node.sync.link.heard_at is None
    with shop.node.store.reading() as cursor:
        assert unfolded(cursor, 1), "nothing is folded before the head"
        known = standing_row(cursor, network.victim)
    assert known is not None
    assert known.is_condemned


def test_a_blocked_cylinder_is_stopped_before_the_file_is_in(network: Network) -> None:
    shop = network.new_shop("gannet")
    network.hub.breaks_after = 10
    with pytest.raises(HubUnreachable):
        pull(shop)
    assert position(shop) == 0
    with shop.node.store.reading() as cursor:
        (found,) = look.near_serial(cursor, MARKS.serial)
        held = look.folded_again(cursor, network.victim)
        assert own_standing(cursor, network.victim) is None, "it is no standing"
        assert look.standing_ids(cursor) == ()
        assert [one.cylinder_id for one in look.every_standing(cursor)] == [network.victim]
    assert found.standing.is_condemned
    assert held is not None
    assert held.blocks[0].words == KNOWN_AGAINST_IT
    assert held.blocks[0].reason.startswith("Condemned: Crack")
    assert held.blocks[0].node == "reef"
    visit_id = shop.greet()
    shop.do(c.Identify, visit_id=visit_id, marks=MARKS)
    visit = shop.visit(visit_id)
    assert visit.cylinder_id == network.victim, "it is not taken for a cylinder that nobody knows"
    with pytest.raises(Refused, match=f"{KNOWN_AGAINST_IT} on .*: Condemned: Crack"):
        shop.up_to("people_out", visit_id=visit_id)
    network.hub.breaks_after = 0
    pull(shop)
    with shop.node.store.reading() as cursor:
        assert known_ids(cursor) == ()
        known = standing_row(cursor, network.victim)
    assert known is not None
    assert known.is_condemned
    assert known.blocks[0].words == "Condemned"


def test_after_a_cut_or_a_kill_the_bytes_that_came_are_not_fetched_again(network: Network) -> None:
    shop = network.new_shop("gannet")
    third = len(network.hub.packed) // 3 + 1
    network.hub.breaks_after = third
    for _ in range(2):
        with pytest.raises(HubUnreachable):
            pull(shop)
        assert f"of {len(network.hub.packed)} bytes" in shop.node.sync.link.ready_file
        shop = network.started_again(shop)
    network.hub.breaks_after = 0
    pull(shop)
    assert network.hub.ranges == ["", f"bytes={third}-", f"bytes={2 * third}-"]
    is_the_same(network, shop)


def _another_digest(hub: PackingHub) -> None:
    hub.packed = hub.packed[:100] + bytes([hub.packed[100] ^ 1]) + hub.packed[101:]


def _shorter(hub: PackingHub) -> None:
    hub.packed = hub.packed[:-20]


def _longer(hub: PackingHub) -> None:
    hub.packed += b"x"


def _two_lines_exchanged(hub: PackingHub) -> None:
    hub.exchange(5, 6)


def _a_line_is_missing(hub: PackingHub) -> None:
    assert hub.manifest is not None
    del hub.lines[9]
    hub.sign(position=hub.manifest.position, feed_hash=hub.manifest.feed_hash)


def _a_line_more(hub: PackingHub) -> None:
    assert hub.manifest is not None
    hub.sign(position=hub.manifest.position - 1, feed_hash=hub.manifest.feed_hash)


def _unpacks_to_more(hub: PackingHub) -> None:
    assert hub.manifest is not None
    hub.manifest = hub.manifest.model_copy(update={"unpacked_bytes": 5000})
    hub.signed = sign_manifest(hub.manifest, hub.key)


def _no_line(hub: PackingHub) -> None:
    assert hub.manifest is not None
    hub.lines[3] = b'{"position": 4}'
    hub.sign(position=hub.manifest.position, feed_hash=hub.manifest.feed_hash)


def _list_of_another_file(hub: PackingHub) -> None:
    assert hub.blocked is not None
    hub.blocked = hub.blocked.model_copy(update={"position": 1})


def _list_with_a_double(hub: PackingHub) -> None:
    assert hub.blocked is not None
    hub.blocked = hub.blocked.model_copy(update={"cylinders": hub.blocked.cylinders * 2})


WRONG: list[tuple[Callable[[PackingHub], None], str]] = [
    (_another_digest, "another digest"),
    (_shorter, "bytes, the hub signed"),
    (_longer, "more came than the hub signed"),
    (_two_lines_exchanged, "do not lead to the cumulative hash"),
    (_a_line_is_missing, "where 10 was due"),
    (_a_line_more, "the hub signed"),
    (_unpacks_to_more, "unpacks to more"),
    (_no_line, "no fact of the feed"),
    (_list_of_another_file, "belongs to another file"),
    (_list_with_a_double, "list of what is stopped cannot be read"),
]


@pytest.mark.parametrize(("spoil", "words"), WRONG, ids=[spoil.__name__.strip("_") for spoil, _ in WRONG])
def test_a_file_that_is_not_what_the_hub_signed_or_does_not_lead_there_is_thrown_away_before_the_first_write(
    network: Network, spoil: Callable[[PackingHub], None], words: str
) -> None:
    spoil(network.hub)
    shop = network.new_shop("gannet")
    with shop.node.store.writing() as tx:
        here = tx.node()
    assert not asyncio.run(shop.node.sync._read_ready_file(here))
    assert position(shop) == 0
    assert words in shop.node.sync.link.ready_file
    assert "page by page" in shop.node.sync.link.ready_file
    assert files(shop) == []
    pull(shop)
    assert position(shop) == len(network.hub.state.feed)
    assert shop.node.sync.link.state == "live"


def test_a_list_that_the_store_will_not_hold_is_thrown_away_with_its_file(network: Network) -> None:
    """Whatever the store has against it: tried again and again, it would keep the feed away."""
    shop = network.new_shop("gannet")
    with shop.node.store.writing() as tx:
        tx.c.execute(
            "create trigger full before insert on known_against begin select raise(abort, 'no room'); end"
        )
    pull(shop)
    assert "list of what is stopped cannot be read" in shop.node.sync.link.ready_file
    is_whole(network, shop)


def test_a_manifest_that_the_hub_did_not_sign_is_not_followed(network: Network) -> None:
    hub = network.hub
    shop = network.new_shop("gannet")
    real, hub.key = hub.key, Ed25519PrivateKey.generate()
    hub.pack()
    hub.key = real
    pull(shop)
    assert "page by page" in shop.node.sync.link.ready_file
    assert hub.ranges == []
    is_whole(network, shop)


def test_a_file_that_changes_on_the_disk_after_it_was_checked_is_not_believed(network: Network) -> None:
    shop = network.new_shop("gannet")
    ready = shop.node.sync.ready
    with shop.node.store.writing() as tx:
        here = tx.node()
    assert asyncio.run(shop.node.sync._read_ready_file(here))
    assert ready._manifest is not None
    with shop.node.store.writing() as tx:
        cursor = tx.node().feed
    ends = walk(ready._facts, ready._manifest, cursor, ITEMS)
    network.hub.exchange(5, 6)
    ready._facts.write_bytes(network.hub.packed)
    ready._pages = pages(ready._facts, ready._manifest, cursor, ends, ITEMS)
    with shop.node.store.writing() as tx:
        here = tx.node()
    assert not asyncio.run(shop.node.sync._read_ready_file(here))
    assert position(shop) == ITEMS
    assert "feed hash" in shop.node.sync.link.ready_file
    is_whole(network, shop)


@pytest.mark.parametrize("taken", [1, 3])
def test_killed_in_the_middle_of_the_file_it_goes_on_from_there(network: Network, taken: int) -> None:
    shop = network.new_shop("gannet")
    for _ in range(taken):
        with shop.node.store.writing() as tx:
            here = tx.node()
        assert asyncio.run(shop.node.sync._read_ready_file(here))
    shop = network.started_again(shop)
    assert position(shop) == taken * ITEMS
    pull(shop)
    assert network.hub.ranges == [""], "it is not fetched again"
    is_the_same(network, shop)


def test_a_new_epoch_discards_a_file_that_is_on_the_way(network: Network) -> None:
    shop = network.new_shop("gannet")
    network.hub.breaks_after = 50
    with pytest.raises(HubUnreachable):
        pull(shop)
    network.hub.breaks_after = 0
    network.hub.gets_a_new_epoch("e2")
    network.hub.manifest = None
    pull(shop)
    assert "older epoch" in shop.node.sync.link.ready_file
    assert len(network.hub.ranges) == 1
    is_whole(network, shop)


def test_a_new_epoch_discards_a_file_that_is_being_read(network: Network) -> None:
    shop = network.new_shop("gannet")
    with shop.node.store.writing() as tx:
        here = tx.node()
    assert asyncio.run(shop.node.sync._read_ready_file(here))
    network.hub.gets_a_new_epoch("e2")
    asyncio.run(shop.node.sync.beat_once())
    assert "new epoch" in shop.node.sync.link.ready_file
    pull(shop)
    with shop.node.store.reading() as cursor:
        assert known_ids(cursor) == ()
    is_whole(network, shop)


def test_a_file_that_the_hub_has_thrown_away_is_begun_anew(network: Network) -> None:
    shop = network.new_shop("gannet")
    network.hub.breaks_after = 50
    with pytest.raises(HubUnreachable):
        pull(shop)
    network.hub.breaks_after = 0
    network.hub.pack()
    pull(shop)
    pull(shop)
    is_whole(network, shop)


def test_a_slow_disk_does_not_hold_up_the_counter(network: Network, monkeypatch: pytest.MonkeyPatch) -> None:
    """The counter is served by the event loop, so no touch of a file may wait in it."""
    seen: set[tuple[str, bool]] = set()

    def noted(real: Callable[Given, Result]) -> Callable[Given, Result]:
        def touch(*args: Given.args, **more: Given.kwargs) -> Result:
            if isinstance(args[0], int) or ready_file.FOLDER in str(args[0]):
                seen.add((real.__name__, asyncio._get_running_loop() is not None))
            return real(*args, **more)

        return touch

    shop = network.new_shop("gannet")
    monkeypatch.setattr(Path, "open", noted(Path.open))
    monkeypatch.setattr(Path, "stat", noted(Path.stat))
    monkeypatch.setattr(os, "fsync", noted(os.fsync))
    monkeypatch.setattr(shutil, "rmtree", noted(shutil.rmtree))
    monkeypatch.setattr(shutil, "disk_usage", noted(shutil.disk_usage))
    pull(shop)
    assert seen == {(name, False) for name in ("open", "stat", "fsync", "rmtree", "disk_usage")}


def test_a_disk_without_room_for_it_says_so_and_the_feed_is_read(
    network: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ready_file, "LEFT_FREE_BYTES", 1 << 60)
    shop = network.new_shop("gannet")
    pull(shop)
    assert "too full" in shop.node.sync.link.ready_file
    assert network.hub.ranges == []
    is_whole(network, shop)


def test_a_line_over_which_no_file_comes_does_not_keep_the_feed_away(network: Network) -> None:
    shop = network.new_shop("gannet")
    network.hub.loses_answers_to = network.hub.manifest.sha256 if network.hub.manifest else ""
    for _ in range(ready_file.MOST_FRUITLESS):
        try:
            pull(shop)
        except HubUnreachable:
            continue
    assert "nothing of it came through" in shop.node.sync.link.ready_file
    is_whole(network, shop)


def test_a_hub_that_will_not_speak_of_a_file_that_was_begun_does_not_keep_the_feed_away(
    network: Network,
) -> None:
    shop = network.new_shop("gannet")
    network.hub.breaks_after = 50
    with pytest.raises(HubUnreachable):
        pull(shop)
    network.hub.says_no = 403
    for _ in range(ready_file.MOST_FRUITLESS - 1):
        with pytest.raises(HubRefused):
            pull(shop)
        assert files(shop), "it is asked again before the file is thrown away"
    pull(shop)
    assert "nothing of it came through" in shop.node.sync.link.ready_file
    is_whole(network, shop)


def test_a_shop_that_has_read_something_asks_for_no_file(network: Network) -> None:
    shop = network.new_shop("gannet")
    pull(shop)
    shop = network.started_again(shop)
    asked = len(network.hub.asked)
    pull(shop)
    assert network.hub.asked[asked:] == ["GET feed"]


def test_the_witness_finds_the_hub_s_checkpoint_in_what_came_by_a_file(network: Network) -> None:
    shop = network.new_shop("gannet")
    pull(shop)
    manifest, hub = network.hub.manifest, network.hub
    assert manifest is not None
    tree, _ = grow(Edge(), [bytes.fromhex(row.link.hash) for row in hub.state.feed[: manifest.position]])
    said = Checkpoint(
        epoch=manifest.epoch, position=manifest.position, root=tree.root.hex(), feed_hash=manifest.feed_hash,
        hub_time=hub.clock.now(), key_id=key_id(hub.key.public_key()),
    )  # fmt: skip
    with shop.node.store.writing() as tx:
        signed = sign_checkpoint(said, hub.key)
        assert witness.take(tx.c, signed, hub_key=hub.key.public_key(), now=hub.clock.now()) == "agrees"
