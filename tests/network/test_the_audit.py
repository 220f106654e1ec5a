"""The audit of all fills over a real database: empty in an honest network, and a planted breach is found."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import uuid
from collections.abc import Iterator

import httpx
import psycopg
import pytest
from tests.network.shop import Served, Shop, let_shop_in, now
from tests.network.test_the_office import appointed, condemned

from cylinder.facts import FillAuthorised, HoldPlaced, IdentitiesLinked
from cylinder.marks import KeyedPressure
from eventlog.chain import links
from eventlog.event import Effect, Seen
from network.audit import AUDIT_EVERY, audit_fills, audit_when_due, last_audit
from network.hub import Hub
from network.store.log import PostgresHubLog
from network.store.pages import feed_head
from sync.at_hub import append

FULL = KeyedPressure(value=3000, unit="psi")


def head(hub: Hub) -> Seen:
    """What a shop has seen that has read all."""
    with hub.database.transaction() as tx:
        found = feed_head(tx)
    return Seen(epoch=found.epoch, position=found.position, feed_hash=found.feed_hash)


def uploaded(hub: Hub, shop: Shop) -> None:
    with hub.database.transaction() as tx:
        append(PostgresHubLog(tx, hub.recorder), links(shop.log), now=now())


def a_fill(shop: Shop, cylinder: uuid.UUID | str, seen: Seen) -> uuid.UUID:
    """A shop writes down that it fills, whatever it knows."""
    fill = uuid.uuid4()
    fact = FillAuthorised(visit_id=uuid.uuid4(), target=FULL, rated=FULL)
    shop.record(
        fact.KIND, fact.model_dump(mode="json"), subject=f"cylinder/{cylinder}", event_id=fill, seen=seen
    )
    return fill


@pytest.fixture
def pier(hub: Hub) -> Shop:
    shop = Shop("pier-nine")
    let_shop_in(hub, shop)
    shop.open()
    return shop


def test_an_honest_network_is_found_empty(hub: Hub, reef: Shop, pier: Shop) -> None:
    before = head(hub)
    cylinder = condemned(hub, reef)
    a_fill(pier, cylinder, before)
    a_fill(pier, uuid.uuid4(), head(hub))
    uploaded(hub, pier)
    report = audit_fills(hub.database, now=now())
    assert (report.knew, report.cannot_say) == ((), ())
    assert (report.fills, report.could_not_have_known) == (2, 1)
    assert report.position == head(hub).position


def test_a_planted_breach_is_found_by_what_had_been_read(hub: Hub, reef: Shop, pier: Shop) -> None:
    cylinder = condemned(hub, reef)
    fill = a_fill(pier, cylinder, head(hub))
    uploaded(hub, pier)
    (found,) = audit_fills(hub.database, now=now()).knew
    assert (found.fill_id, found.node, found.cylinder_id) == (fill, "pier-nine", cylinder)
    assert [block.words for block in found.blocks] == ["Condemned"]


def test_a_planted_breach_is_found_by_the_own_log(hub: Hub, pier: Shop) -> None:
    cylinder = uuid.uuid4()
    hold = HoldPlaced(reason="Smells of oil")
    subject = f"cylinder/{cylinder}"
    pier.record(hold.KIND, hold.model_dump(mode="json"), subject=subject, effect=Effect.BLOCK)
    a_fill(pier, cylinder, Seen())
    uploaded(hub, pier)
    assert len(audit_fills(hub.database, now=now()).knew) == 1


def test_a_block_on_a_linked_record_and_an_id_in_capitals_hide_nothing(
    hub: Hub, reef: Shop, pier: Shop
) -> None:
    cylinder, same = condemned(hub, reef), uuid.uuid4()
    link = IdentitiesLinked(other=same)
    pier.record(link.KIND, link.model_dump(mode="json"), subject=f"cylinder/{cylinder}")
    fills = {a_fill(pier, same, head(hub)), a_fill(pier, str(cylinder).upper(), head(hub))}
    uploaded(hub, pier)
    assert {one.fill_id for one in audit_fills(hub.database, now=now()).knew} == fills


def test_a_shop_that_lies_about_how_far_it_had_read_is_not_believed(hub: Hub, reef: Shop, pier: Shop) -> None:
    cylinder = condemned(hub, reef)
    seen = head(hub)
    a_fill(pier, cylinder, Seen(epoch=seen.epoch, position=seen.position, feed_hash="ab" * 32))
    uploaded(hub, pier)
    report = audit_fills(hub.database, now=now())
    assert (len(report.knew), len(report.cannot_say)) == (0, 1)


def test_results_are_kept_and_nobody_edits_them(hub: Hub, reef: Shop, pier: Shop) -> None:
    a_fill(pier, condemned(hub, reef), head(hub))
    uploaded(hub, pier)
    report = audit_fills(hub.database, now=now())
    with hub.database.transaction() as tx:
        assert last_audit(tx) == report
    with pytest.raises(psycopg.errors.InsufficientPrivilege), hub.database.transaction() as tx:
        tx.execute("delete from fill_audit")


def test_it_runs_when_a_day_has_passed_and_measures_what_it_found(hub: Hub, reef: Shop, pier: Shop) -> None:
    a_fill(pier, condemned(hub, reef), head(hub))
    uploaded(hub, pier)
    kept = []
    first = now()
    for at in (first, first + AUDIT_EVERY / 2, first + AUDIT_EVERY * 1.1):
        audit_when_due(hub.database, hub.measures, now=at)
        with hub.database.transaction() as tx:
            found = last_audit(tx)
        assert found is not None
        kept.append(found.at)
    assert kept[0] == kept[1] < kept[2]
    assert b'filltrail_audited_fills{finding="knew"} 1.0' in hub.measures.text()


@pytest.fixture
def desk(served: Served) -> Iterator[httpx.Client]:
    appointed(served.hub)
    with httpx.Client(
        base_url=served.url, headers={"sec-fetch-site": "same-origin"}, trust_env=False, timeout=20
    ) as client:
        client.post("/office/sign-in", data={"login": "ossel", "password": "a long pass phrase"})
        yield client


@pytest.mark.wire
def test_the_office_shows_none_with_when_it_was_looked_at_and_then_the_fill(
    desk: httpx.Client, hub: Hub, reef: Shop, pier: Shop
) -> None:
    audit_fills(hub.database, now=now())
    page = desk.get("/office/audit").text
    assert "No shop filled a cylinder against what it held" in page
    assert "Knew, and filled: 0" in page
    assert "Last looked" in page
    cylinder = condemned(hub, reef)
    a_fill(pier, cylinder, head(hub))
    uploaded(hub, pier)
    audit_fills(hub.database, now=now())
    page = desk.get("/office/audit").text
    assert "Knew, and filled: 1" in page
    assert "B0471-8Q" in page
    assert "Condemned at Reef-Road" in page
    (shown,) = desk.get("/v1/office/audit").json()["knew"]
    assert shown["cylinder_id"] == str(cylinder)


@pytest.mark.wire
def test_the_command_ends_with_1_when_a_shop_knew_and_filled(hub: Hub, reef: Shop, pier: Shop) -> None:
    env = {
        **os.environ, "FILLTRAIL_DATABASE_URL": hub.settings.database_url,
        "FILLTRAIL_DATA": str(hub.settings.data),
    }  # fmt: skip
    asked = [sys.executable, "-m", "network", "audit", "--json"]
    first = subprocess.run(asked, env=env, capture_output=True, text=True, timeout=60, check=False)
    assert (first.returncode, json.loads(first.stdout)["knew"]) == (0, [])
    fill = a_fill(pier, condemned(hub, reef), head(hub))
    uploaded(hub, pier)
    second = subprocess.run(asked, env=env, capture_output=True, text=True, timeout=60, check=False)
    assert second.returncode == 1
    assert [one["fill_id"] for one in json.loads(second.stdout)["knew"]] == [str(fill)]
