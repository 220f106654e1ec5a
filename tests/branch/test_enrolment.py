"""Enrolling a shop, and enrolling it anew after its key was copied: whatever crashes, no key is lost that the hub knows."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.branch.a_hub import AHub, connect, shop_at
from tests.branch.a_shop import Clock, Shop, open_shop

from branch.enrolment import KEY, finish, forget_key, key_to_ask_with, settle
from branch.settings import read_settings
from branch.store.rows import node_row
from branch.verify import check
from eventlog.keys import key_id, private_key
from sync.standpoint import Standpoint


@pytest.fixture
def hub() -> AHub:
    return AHub(Clock())


@pytest.fixture
def shop(tmp_path: Path, hub: AHub) -> Iterator[Shop]:
    made = shop_at(hub, tmp_path, "pier")
    yield made
    made.node.store.close()


def here(shop: Shop) -> Standpoint:
    with shop.node.store.reading() as cursor:
        row = node_row(cursor)
    assert row is not None
    return row


def in_step(shop: Shop) -> None:
    for _ in range(3):
        asyncio.run(shop.node.sync.push_all())
        asyncio.run(shop.node.sync.pull_all())


def test_the_key_is_on_the_disk_before_the_code_is_spent_and_a_second_try_asks_with_the_same(
    tmp_path: Path,
) -> None:
    first = key_to_ask_with(tmp_path, Ed25519PrivateKey.generate())
    again = key_to_ask_with(tmp_path, Ed25519PrivateKey.generate())
    assert again.private_bytes_raw() == first.private_bytes_raw()
    assert not (tmp_path / KEY).exists()
    forget_key(tmp_path)
    other = key_to_ask_with(tmp_path, Ed25519PrivateKey.generate())
    assert other.private_bytes_raw() != first.private_bytes_raw()


@pytest.mark.parametrize("crashes_after", ["settings are ready", "old key is put by", "new key is in place"])
def test_an_enrolment_that_the_hub_answered_comes_to_its_end_after_any_crash(
    shop: Shop, tmp_path: Path, crashes_after: str
) -> None:
    data = shop.node.store.path.parent
    shop.node.store.close()
    old = (data / KEY).read_bytes()
    new = key_to_ask_with(data, Ed25519PrivateKey.generate())
    settings = read_settings(data).model_copy(update={"name": "Pier anew"})
    (data / "shop.json.ready").write_text(settings.model_dump_json())
    put_by = data / f"{KEY}.before-{key_id(private_key(old).public_key())}"
    if crashes_after != "settings are ready":
        (data / KEY).replace(put_by)
    if crashes_after == "new key is in place":
        (data / "node.key.asked").replace(data / KEY)
    finish(data)
    assert private_key((data / KEY).read_bytes()).private_bytes_raw() == new.private_bytes_raw()
    assert put_by.read_bytes() == old
    assert read_settings(data).name == "Pier anew"
    finish(data)
    assert read_settings(data).name == "Pier anew"


def test_a_shop_enrolled_anew_goes_on_in_a_new_incarnation_and_its_old_log_stays_readable(
    shop: Shop, hub: AHub
) -> None:
    shop.up_to("rating")
    in_step(shop)
    shop.up_to("identify", tag=15)
    was, data = here(shop), shop.node.store.path.parent
    shop.node.store.close()
    new = key_to_ask_with(data, Ed25519PrivateKey.generate())
    hub.lets_in("pier", new)
    settle(data, read_settings(data))
    again = connect(open_shop(data, shop.clock), hub)
    shop.node = again.node
    found = here(shop)
    assert (found.parent, found.relearning) == (was.inc, "key-rotate")
    in_step(shop)
    assert here(shop).relearning == ""
    assert here(shop).acked_seq == here(shop).seq
    assert hub.kinds.count("visit.cylinder_received") == 2
    opened = [
        row.link.envelope.event for row in hub.state.feed if row.link.envelope.event.kind == "node.log_opened"
    ]
    assert opened[-1].body["reason"] == "key-rotate"
    assert {visit.tag for visit in shop.node.desk.open_visits()} == {14, 15}
    report = check(shop.node.store)
    assert report.problems == ()
    assert report.not_believed == ()


def test_a_suspected_shop_is_free_again_once_it_has_a_new_key(shop: Shop, hub: AHub) -> None:
    in_step(shop)
    key = key_id(shop.node.store.author.key.public_key())
    hub.says("node.suspected", "node/pier", {"node": "pier", "key_id": key, "trusted": [], "reason": "two"})
    in_step(shop)
    assert here(shop).is_suspected
    data = shop.node.store.path.parent
    shop.node.store.close()
    hub.lets_in("pier", key_to_ask_with(data, Ed25519PrivateKey.generate()))
    settle(data, read_settings(data))
    shop.node = connect(open_shop(data, shop.clock), hub).node
    in_step(shop)
    assert not here(shop).is_suspected
    assert here(shop).relearning == ""
