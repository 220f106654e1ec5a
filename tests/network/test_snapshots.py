"""The hub's ready files: what stands in them, who gets them, from where, and how many are kept."""

from __future__ import annotations

import asyncio
import datetime as dt
import fcntl
import uuid
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import replace
from functools import partial
from itertools import count
from pathlib import Path
from typing import TypeVar

import httpx
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from structlog.testing import capture_logs
from tests.branch.a_shop import Clock, open_shop
from tests.branch.a_shop import Shop as Branch
from tests.branch.a_shop import make_shop as make_branch
from tests.network.shop import Served, Shop, let_shop_in, now, sign_all
from typer.testing import CliRunner

from branch.settings import read_settings
from branch.store.rows import standing_row
from branch.verify import check
from branch.witness import Verdict
from branch.witnessing import witness_of
from cylinder import facts as f
from cylinder.facts import Fact
from cylinder.marks import Marks
from cylinder.recorded import cylinder_subject
from eventlog.envelope import Forged, Sealed
from eventlog.event import Effect
from eventlog.feed import Cursor, check_page
from eventlog.hub_client import HubClient, HubRefused
from eventlog.snapshot import check_bytes, pages, read_manifest, walk
from eventlog.snapshot_client import blocked, latest, pieces
from network.__main__ import cli
from network.doorbell import Doorbell
from network.hub import Hub
from network.projections.cylinders import cylinders, standing_digest
from network.projections.projection import catch_up_once
from network.restoring import begin_epoch
from network.snapshots import (
    FEWEST_FACTS,
    FOLDER,
    KEPT,
    NoSnapshot,
    Ready,
    every,
    held,
    keep_snapshots,
    make_snapshot,
    make_when_due,
    newest,
)
from network.store.pages import FeedHead, feed_head

pytestmark = pytest.mark.wire
Result = TypeVar("Result")
VICTIM = uuid.UUID(int=7)


def recorded(shop: Shop, fact: Fact, cylinder_id: uuid.UUID = VICTIM) -> Sealed:
    body = fact.model_dump(mode="json")
    return shop.record(fact.KIND, body, subject=cylinder_subject(cylinder_id), effect=Effect(fact.EFFECT))


@pytest.fixture
def condemning(hub: Hub, served: Served, reef: Shop) -> Shop:
    """A shop whose log with a condemnation in it is in the feed, and folded."""
    recorded(
        reef, f.CylinderRegistered(marks=Marks(serial="K40718", maker="ZQ", spec="3AL", first_test="2021-07"))
    )
    recorded(
        reef,
        f.Condemned(
            reason="Crack", criterion_id="c.crack", criterion="A crack", clause="1", serial_read="K40718"
        ),
    )
    push(served, reef)
    fold(hub)
    return reef


def asked(served: Served, shop: Shop, work: Callable[[HubClient], Awaitable[Result]]) -> Result:
    """What comes of it over a line of its own."""

    async def run() -> Result:
        async with httpx.AsyncClient(trust_env=False) as http:
            return await work(replace(served, http=http).client(shop))

    return asyncio.run(run())


def push(served: Served, shop: Shop) -> None:
    asked(served, shop, lambda client: client.push(shop.log))


def fold(hub: Hub) -> None:
    while catch_up_once(hub.database, cylinders):
        pass


def made(hub: Hub) -> Ready:
    fold(hub)
    return make_snapshot(hub.database, hub.settings.data, hub.key, now=now())


def test_the_file_holds_the_feed_as_its_pages_do_and_the_same_facts_are_the_same_bytes(
    hub: Hub, served: Served, condemning: Shop
) -> None:
    ready = made(hub)
    manifest = read_manifest(ready.signed, hub.key.public_key())
    head = hub.head()
    assert (manifest.epoch, manifest.position, manifest.feed_hash) == (
        head.epoch,
        head.position,
        head.feed_hash,
    )
    check_bytes(ready.facts, manifest)
    cursor = Cursor()
    for page in pages(ready.facts, manifest, cursor, walk(ready.facts, manifest, cursor, 2), 2):
        real = asked(served, condemning, partial(HubClient.page, cursor=cursor, limit=2))
        assert (page.items, page.feed_hash) == (real.items, real.feed_hash)
        check_page(page, cursor)
        cursor = Cursor(page.epoch, page.after + len(page.items), page.feed_hash)
    assert cursor.position == head.position
    assert made(hub).manifest.sha256 == manifest.sha256
    with pytest.raises(Forged):
        read_manifest(ready.signed, Ed25519PrivateKey.generate().public_key())


def test_what_is_stopped_is_listed_with_serial_position_and_shop(
    hub: Hub, served: Served, condemning: Shop
) -> None:
    ready = made(hub)
    found = asked(served, condemning, lambda client: blocked(client, ready.manifest.sha256))
    (one,) = found.cylinders
    (held,) = one.held
    assert (found.position, found.epoch) == (ready.manifest.position, ready.manifest.epoch)
    assert (one.cylinder_id, one.marks[0].serial) == (VICTIM, "K40718")
    assert (held.node, held.position, held.kind) == ("reef-road", hub.head().position, f.Condemned.KIND)


def test_an_enrolled_shop_goes_on_where_a_cut_left_it_and_nobody_else_gets_anything(
    hub: Hub, served: Served, condemning: Shop
) -> None:
    ready = made(hub)
    digest, whole = ready.manifest.sha256, ready.facts.read_bytes()

    def fetched(after: int) -> bytes:
        async def work(client: HubClient) -> bytes:
            return b"".join([piece async for piece in pieces(client, digest, after=after)])

        return asked(served, condemning, work)

    for after in (0, 1, len(whole) - 1):
        assert fetched(after) == whole[after:]
    with pytest.raises(HubRefused) as refused:
        fetched(len(whole) + 5)
    assert refused.value.status == 416
    digest = "0" * 64
    with pytest.raises(HubRefused) as refused:
        fetched(0)
    assert refused.value.status == 404
    stranger = Shop("stranger")
    for path in ("latest", ready.manifest.sha256, f"{ready.manifest.sha256}/blocked"):
        with pytest.raises(HubRefused) as refused:
            asked(served, stranger, partial(HubClient.ask, method="GET", path=f"/v1/snapshots/{path}"))
        assert refused.value.status == 401


def test_a_file_thrown_away_between_the_look_and_the_reading_is_gone_and_no_mistake(
    hub: Hub, served: Served, condemning: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    digest = made(hub).manifest.sha256

    def held_a_moment_ago(data: Path, sha256: str) -> Ready | None:
        found = held(data, sha256)
        assert found is not None
        found.facts.unlink()
        found.blocked.unlink()
        return found

    monkeypatch.setattr("network.snapshots.held", held_a_moment_ago)
    for path in (digest, f"{digest}/blocked"):
        with pytest.raises(HubRefused) as refused:
            asked(served, condemning, partial(HubClient.ask, method="GET", path=f"/v1/snapshots/{path}"))
        assert refused.value.status == 404
        made(hub)


def test_the_last_two_are_kept_and_what_a_kill_left_half_is_thrown_away(
    hub: Hub, served: Served, condemning: Shop
) -> None:
    folder = hub.settings.data / FOLDER
    for n in range(4):
        recorded(
            condemning,
            f.RatingRead.model_validate(
                {"visit_id": uuid.uuid4(), "rated": {"value": 3000 + n, "unit": "psi"}}
            ),
        )
        push(served, condemning)
        made(hub)
        (folder / "half.partial").write_bytes(b"x")
    last = made(hub)
    kept = every(hub.settings.data)
    assert len(kept) == KEPT
    assert kept[0].manifest.position == last.manifest.position
    names = {path.name.partition(".")[0] for path in folder.iterdir()}
    assert names == {one.manifest.sha256 for one in kept} | {"lock"}


def test_a_file_of_another_feed_than_the_hub_s_is_not_given_out(
    hub: Hub, served: Served, condemning: Shop
) -> None:
    ready = made(hub)
    assert asked(served, condemning, latest) == ready.signed
    with hub.database.transaction() as tx:
        tx.execute("alter table feed disable trigger all")
        tx.execute("update feed set feed_hash = %s where position = %s", (b"x" * 32, ready.manifest.position))
        assert newest(tx, hub.settings.data) is None
    assert asked(served, condemning, latest) is None
    begin_epoch(
        hub.database, hub.recorder, hub.key, epoch="later", inc=uuid.uuid4(), opening_id=uuid.uuid4(), name="n",
        now=now(),
    )  # fmt: skip
    with hub.database.transaction() as tx:
        assert feed_head(tx).epoch == "later"
        assert newest(tx, hub.settings.data) is None


def test_of_few_facts_the_hub_makes_none_by_itself_and_of_none_that_is_folded_nobody_can(hub: Hub) -> None:
    with pytest.raises(NoSnapshot, match="folded"):
        make_snapshot(hub.database, hub.settings.data, hub.key, now=now())
    fold(hub)
    make_when_due(hub.database, hub.settings.data, hub.key, now=now())
    assert every(hub.settings.data) == ()
    assert 0 < hub.head().position < FEWEST_FACTS


def test_one_a_day_is_made_once_there_is_enough_to_pack(
    hub: Hub, condemning: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("network.snapshots.FEWEST_FACTS", 1)
    at = now()
    for hours, due in ((0, 0), (23, 0), (25, 25)):
        make_when_due(hub.database, hub.settings.data, hub.key, now=at + dt.timedelta(hours=hours))
        assert every(hub.settings.data)[0].manifest.made_at == at + dt.timedelta(hours=due)


def test_two_at_once_do_not_throw_away_each_other_s(hub: Hub, condemning: Shop) -> None:
    made(hub)
    with (hub.settings.data / FOLDER / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        with pytest.raises(NoSnapshot, match="another"):
            made(hub)
    assert len(every(hub.settings.data)) == 1


def test_a_hub_that_stops_does_not_wait_for_a_whole_file(
    hub: Hub, condemning: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It looks before each batch that is packed, and before each that is read back."""
    monkeypatch.setattr("network.snapshots.ROWS_A_TIME", 1)
    batches = 2 * hub.head().position
    for goes_on in range(batches):
        looks = iter([False] * goes_on)
        with pytest.raises(NoSnapshot, match="stopping"):
            make_snapshot(
                hub.database,
                hub.settings.data,
                hub.key,
                now=now(),
                is_stopped=partial(next, looks, True),
            )
        assert [path.name for path in (hub.settings.data / FOLDER).iterdir()] == ["lock"]
    looks = iter([False] * batches)
    make_snapshot(hub.database, hub.settings.data, hub.key, now=now(), is_stopped=partial(next, looks, True))
    assert len(every(hub.settings.data)) == 1


def test_the_bell_that_stops_the_hub_stops_the_packing(
    hub: Hub, condemning: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("network.snapshots.FEWEST_FACTS", 1)
    bell = Doorbell(database_url="", redis_url=None, look=hub.head)
    packing = keep_snapshots(hub.database, hub.settings.data, hub.key, bell, now, trouble=bell.stop)
    with capture_logs() as logs:
        asyncio.run(packing)
    assert every(hub.settings.data) == ()
    assert any("stopping" in one.get("reason", "") for one in logs if one["event"] == "no snapshot")


class OneTurn(Doorbell):
    """It stops the hub at the end of the first turn."""

    async def wait(self, *, beyond: int, timeout_s: float) -> FeedHead | None:
        del beyond, timeout_s
        self.stop()
        return self.head


def test_a_disk_that_is_nearly_full_before_or_while_it_is_packed_is_left_to_the_log(
    hub: Hub, condemning: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("network.snapshots.FEWEST_FACTS", 1)
    monkeypatch.setattr("network.snapshots.ROWS_A_TIME", 1)

    def fills_up_at(due: int, looks: Iterator[int]) -> bool:
        left = 1 << 60 if next(looks) == due else 0
        monkeypatch.setattr("network.snapshots.LEFT_FREE_BYTES", left)
        return False

    for due in (0, 1, hub.head().position):
        looks = count()
        with pytest.raises(NoSnapshot, match="bytes free"):
            make_when_due(
                hub.database,
                hub.settings.data,
                hub.key,
                now=now(),
                is_stopped=partial(fills_up_at, due, looks),
            )
        assert next(looks) == due + 1, "it is not packed to the end"
        assert [path.name for path in (hub.settings.data / FOLDER).iterdir()] == ["lock"]
    bell = OneTurn(database_url="", redis_url=None, look=hub.head)
    with capture_logs() as logs:
        asyncio.run(keep_snapshots(hub.database, hub.settings.data, hub.key, bell, now, trouble=lambda: None))
    (said,) = (one["reason"] for one in logs if one["event"] == "no snapshot")
    assert "bytes free" in said


def test_the_operator_makes_one_by_command_whatever_its_size(
    hub: Hub, fresh_database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FILLTRAIL_DATA", str(hub.settings.data))
    monkeypatch.setenv("FILLTRAIL_DATABASE_URL", fresh_database)
    early = CliRunner().invoke(cli, ["snapshot"])
    assert (early.exit_code, every(hub.settings.data)) == (2, ())
    assert "no fact is folded yet" in early.output
    fold(hub)
    asked_for = CliRunner().invoke(cli, ["snapshot"])
    assert asked_for.exit_code == 0, asked_for.output
    (ready,) = every(hub.settings.data)
    assert ready.manifest.position == hub.head().position
    assert ready.manifest.sha256 in asked_for.output


@pytest.fixture
def pier(served: Served, tmp_path: Path) -> Iterator[Branch]:
    """A real shop's node on an empty folder, wired to the hub's address; not let in yet."""
    made = make_branch(tmp_path, slug="pier", hub=served.hub.key)
    data = made.node.store.path.parent
    made.node.store.close()
    settings = read_settings(data).model_copy(update={"hub_url": served.url})
    (data / "shop.json").write_text(settings.model_dump_json())
    clock = Clock()
    clock.move(now() - clock.now())
    shop = open_shop(data, clock)
    yield shop
    shop.node.store.close()


def test_a_real_shop_starts_from_a_real_file_and_its_witness_agrees_with_the_hub(
    hub: Hub, served: Served, condemning: Shop, pier: Branch
) -> None:
    file = made(hub).manifest
    let_shop_in(hub, Shop("pier", key=pier.node.store.author.key))

    async def first_reading() -> Verdict | None:
        try:
            await pier.node.sync.pull_all()
            await pier.node.sync.push_all()
            await pier.node.sync.pull_all()
            sign_all(hub, minutes=3)
            return await witness_of(pier.node).look()
        finally:
            await pier.node.http.aclose()

    with capture_logs() as logs:
        verdict = asyncio.run(first_reading())
    assert verdict == "agrees"
    (checked,) = (one for one in logs if one["event"] == "ready file checked")
    assert checked["position"] == file.position
    assert (
        sum(one["items"] for one in logs if one["event"] == "absorbed from the ready file") == file.position
    )
    assert pier.node.sync.link.state == "live"
    found = check(pier.node.store)
    assert (found.position, found.problems) == (hub.head().position, ())
    assert found.position > file.position
    fold(hub)
    with hub.database.transaction() as tx:
        assert found.standing_digest == standing_digest(tx)
    with pier.node.store.reading() as c:
        known = standing_row(c, VICTIM)
    assert known is not None
    assert known.is_condemned
