"""Projections, exposures and the check of the whole log, over facts as shops publish them."""

from __future__ import annotations

import datetime as dt
import itertools
import re
import uuid
from uuid import UUID

import psycopg
import pytest
from tests.network.shop import Shop, let_shop_in, now

from cylinder.facts import (
    ActorCertified,
    Condemned,
    CylinderIdentified,
    CylinderReceived,
    CylinderRegistered,
    Fact,
    FillCompleted,
    HoldPlaced,
    Rejected,
    Requalified,
)
from cylinder.marks import GasWanted, KeyedPressure, Marks
from cylinder.near import likeness
from cylinder.standing import Standing
from eventlog.chain import links
from eventlog.event import Effect, Event, Seen
from network.hub import Hub
from network.office.documents import CylinderLife, HistoryRow
from network.office.look_up import all_exposures, find_cylinders, life_of
from network.office.timeline import whole_life
from network.projections.cylinders import cylinders, standing_digest
from network.projections.projection import catch_up_once, position_of, rebuild
from network.projections.runner import PROJECTIONS, catch_up
from network.store.log import PostgresHubLog
from network.verify import check_log
from sync.at_hub import append

pytestmark = pytest.mark.wire

MARKS = Marks(serial="B0471-8Q", maker="QX", spec="3AL", first_test="2019-04")
FULL = KeyedPressure(value=3000, unit="psi")
EMPTY = KeyedPressure(value=500, unit="psi")
TODAY = dt.date(2026, 6, 14)
CRACK = Condemned(
    reason="Crack in the neck", criterion_id="neck.crack", criterion="Any crack in the neck", clause="house",
    serial_read="B0471-8Q",
)  # fmt: skip


def record(
    shop: Shop,
    fact: Fact,
    cylinder_id: UUID,
    *,
    on: dt.date = TODAY,
    clears: tuple[UUID, ...] = (),
    seen: int = 0,
    role: str = "inspector",
) -> UUID:
    event = Event(
        id=uuid.uuid4(), kind=fact.KIND, v=fact.V, effect=Effect(fact.EFFECT), subject=f"cylinder/{cylinder_id}",
        body=fact.model_dump(mode="json"), performed_on=on, at=now(), seen=Seen(position=seen), actor="staff-1",
        role=role, software="test", clears=clears,
    )  # fmt: skip
    shop.append(event)
    return event.id


def take_on_inspector(shop: Shop) -> None:
    """Everything here is done by one person: from now on the shop says who that is."""
    event = Event(
        id=uuid.uuid4(), kind=ActorCertified.KIND, v=1, effect=Effect.NEUTRAL, subject="actor/staff-1",
        body={"actor_id": "staff-1", "known_as": "R. Amat", "role": "inspector"}, performed_on=TODAY, at=now(),
        seen=Seen(), actor="staff-0", role="manager", software="test",
    )  # fmt: skip
    shop.append(event)


def fill() -> FillCompleted:
    return FillCompleted(
        visit_id=uuid.uuid4(), end=FULL, start=EMPTY, target=FULL, rated=FULL, gas=GasWanted()
    )


def publish(hub: Hub, *shops: Shop) -> None:
    for shop in shops:
        with hub.database.transaction() as tx:
            append(PostgresHubLog(tx, hub.recorder), links(shop.log), now=now())


def read_all(hub: Hub) -> None:
    assert catch_up(hub.database, hub.measures, is_stopped=lambda: False)


def exposures(hub: Hub) -> list[tuple[str, bool]]:
    read_all(hub)
    with hub.database.transaction() as tx:
        found = all_exposures(tx)
    assert found.in_all == len(found.exposures)
    return [(one.filled_at, one.knew) for one in found.exposures]


@pytest.fixture
def quay(hub: Hub) -> Shop:
    shop = Shop("quay")
    let_shop_in(hub, shop)
    shop.open()
    return shop


def test_a_condemned_cylinder_is_found_by_a_misread_serial(hub: Hub, reef: Shop) -> None:
    cylinder_id = uuid.uuid4()
    record(reef, CylinderRegistered(marks=MARKS), cylinder_id)
    record(reef, CRACK, cylinder_id)
    publish(hub, reef)
    read_all(hub)
    like = likeness("8O471 8Q", MARKS.serial)
    assert like is not None
    with hub.database.transaction() as tx:
        found = find_cylinders(tx, "8O471 8Q").cylinders
        life = life_of(tx, cylinder_id)
    assert [(one.cylinder_id, one.distance, one.why, one.standing_words) for one in found] == [
        (cylinder_id, 1, like.why, "Condemned")
    ]
    assert life is not None
    assert [(block.words, block.reason, block.shop, block.performed_on) for block in life.blocks] == [
        ("Condemned", "Crack in the neck", "Reef-Road", TODAY)
    ]
    assert [row.title for row in life.history] == ["Condemned", "First seen"]


def test_another_shop_does_not_move_a_visit_to_another_cylinder(hub: Hub, reef: Shop, quay: Shop) -> None:
    ours, theirs, visit_id = uuid.uuid4(), uuid.uuid4(), uuid.uuid4()
    received = CylinderReceived(visit_id=visit_id, tag=14, gas=GasWanted())
    identified = CylinderIdentified(visit_id=visit_id, marks=MARKS, was_known=False)
    reef.record(received.KIND, received.model_dump(mode="json"), subject=f"visit/{visit_id}")
    record(reef, identified, ours)
    record(quay, identified, theirs)
    publish(hub, reef, quay)
    read_all(hub)

    def told(cylinder_id: UUID) -> list[tuple[str, str]]:
        with hub.database.transaction() as tx:
            life = life_of(tx, cylinder_id)
        assert life is not None
        return sorted((row.node, row.kind) for row in life.history)

    assert told(ours) == [("reef-road", identified.KIND), ("reef-road", received.KIND)]
    assert told(theirs) == [("quay", identified.KIND)]


def test_a_serial_that_nobody_recorded_finds_nothing(hub: Hub, reef: Shop) -> None:
    record(reef, CylinderRegistered(marks=MARKS), uuid.uuid4())
    publish(hub, reef)
    read_all(hub)
    with hub.database.transaction() as tx:
        assert [find_cylinders(tx, q).cylinders for q in ("", "  ", "%", "_", "P2209-14")] == [()] * 5


def test_a_fill_made_before_the_news_came_is_one_exposure_that_could_not_have_been_known(
    hub: Hub, reef: Shop, quay: Shop
) -> None:
    cylinder_id = uuid.uuid4()
    record(quay, fill(), cylinder_id, on=TODAY)
    record(reef, CRACK, cylinder_id, on=TODAY - dt.timedelta(days=6))
    publish(hub, quay, reef)
    assert exposures(hub) == [("Quay", False)]
    for projection in PROJECTIONS.values():
        rebuild(hub.database, projection)
    assert exposures(hub) == [("Quay", False)]


def test_the_order_of_arrival_makes_no_other_exposure(hub: Hub, reef: Shop, quay: Shop) -> None:
    cylinder_id = uuid.uuid4()
    record(quay, fill(), cylinder_id, on=TODAY)
    record(reef, CRACK, cylinder_id, on=TODAY - dt.timedelta(days=6))
    publish(hub, reef, quay)
    assert exposures(hub) == [("Quay", False)]


def test_a_fill_by_a_shop_that_had_read_the_finding_is_shown_as_known(
    hub: Hub, reef: Shop, quay: Shop
) -> None:
    cylinder_id = uuid.uuid4()
    record(reef, CRACK, cylinder_id)
    publish(hub, reef)
    record(quay, fill(), cylinder_id, seen=hub.head().position)
    publish(hub, quay)
    assert exposures(hub) == [("Quay", True)]


def test_a_fill_before_the_day_of_the_finding_exposes_nobody(hub: Hub, reef: Shop, quay: Shop) -> None:
    cylinder_id = uuid.uuid4()
    record(quay, fill(), cylinder_id, on=TODAY - dt.timedelta(days=1))
    record(reef, CRACK, cylinder_id, on=TODAY)
    record(reef, HoldPlaced(reason="Looks dented"), cylinder_id, on=TODAY - dt.timedelta(days=30))
    publish(hub, quay, reef)
    assert exposures(hub) == []


def test_a_fill_after_a_requalification_that_answered_the_finding_exposes_nobody(
    hub: Hub, reef: Shop
) -> None:
    cylinder_id = uuid.uuid4()
    take_on_inspector(reef)
    rejected = record(reef, Rejected(reason="Dent", criterion_id="dent", clause="house"), cylinder_id)
    passed = Requalified(method="hydrostatic", total_expansion_cc=100, permanent_expansion_cc=1)
    record(reef, passed, cylinder_id, clears=(rejected,))
    record(reef, fill(), cylinder_id)
    publish(hub, reef)
    assert exposures(hub) == []


def test_a_requalification_by_nobody_with_the_right_does_not_answer_the_finding(hub: Hub, reef: Shop) -> None:
    cylinder_id = uuid.uuid4()
    take_on_inspector(reef)
    rejected = record(reef, Rejected(reason="Dent", criterion_id="dent", clause="house"), cylinder_id)
    passed = Requalified(method="hydrostatic", total_expansion_cc=100, permanent_expansion_cc=1)
    record(reef, passed, cylinder_id, clears=(rejected,), role="operator")
    record(reef, fill(), cylinder_id)
    publish(hub, reef)
    assert exposures(hub) == [("Reef-Road", True)]


def test_every_batch_size_gives_the_same_standings(hub: Hub, reef: Shop, quay: Shop) -> None:
    ids = [uuid.uuid4() for _ in range(3)]
    for cylinder_id, shop in itertools.product(ids, (reef, quay)):
        record(shop, CylinderRegistered(marks=MARKS), cylinder_id)
        record(shop, HoldPlaced(reason="Looks dented"), cylinder_id)
    record(quay, CRACK, ids[0])
    publish(hub, reef, quay)
    digests = set()
    for limit in (1, 3, 500):
        rebuild(hub.database, cylinders)
        _forget(hub)
        while catch_up_once(hub.database, cylinders, limit=limit):
            pass
        with hub.database.transaction() as tx:
            digests.add(standing_digest(tx))
    assert digests == {check_log(hub.database, hub_key=hub.key.public_key()).standing_digest}


def test_an_unknown_kind_that_blocks_is_shown_as_a_block(hub: Hub, reef: Shop) -> None:
    cylinder_id = uuid.uuid4()
    reef.record("cylinder.haunted", {"by": "a ghost"}, subject=f"cylinder/{cylinder_id}", effect=Effect.BLOCK)
    publish(hub, reef)
    read_all(hub)
    with hub.database.transaction() as tx:
        life = life_of(tx, cylinder_id)
    assert life is not None
    assert life.tone == "stop"
    assert "cylinder.haunted" in life.history[0].title


@pytest.mark.parametrize(
    "text",
    [
        "nul \x00 here",
        "\u202egnihton",
        "line\u2028feed",
        "<script>alert(1)</script>",
        "{{ 7 * 7 }}",
        "'; drop table feed",
    ],
)
def test_no_text_in_a_fact_stops_a_projection_or_a_page(hub: Hub, reef: Shop, text: str) -> None:
    cylinder_id = uuid.uuid4()
    record(reef, CylinderRegistered(marks=MARKS), cylinder_id)
    record(reef, HoldPlaced(reason=text), cylinder_id)
    record(reef, ActorCertified(actor_id="staff-1", known_as=text, role="inspector"), cylinder_id)
    for day in (dt.date.min, dt.date.max):
        record(reef, fill(), cylinder_id, on=day)
    publish(hub, reef)
    read_all(hub)
    with hub.database.transaction() as tx:
        assert {name: position_of(tx, one) for name, one in PROJECTIONS.items()} == dict.fromkeys(
            PROJECTIONS, hub.head().position
        )
        life = life_of(tx, cylinder_id)
    assert life is not None
    assert "<script>" not in whole_life(life, TODAY).svg
    assert not re.search("[\x00\u2028\u202e]", life.history[-2].detail + life.history[-2].who)


def test_no_other_shop_says_who_somebody_is(hub: Hub, reef: Shop, quay: Shop) -> None:
    cylinder_id = uuid.uuid4()
    record(reef, CylinderRegistered(marks=MARKS), cylinder_id)
    record(reef, ActorCertified(actor_id="staff-1", known_as="R. Amat", role="inspector"), cylinder_id)
    publish(hub, reef)
    record(quay, ActorCertified(actor_id="staff-1", known_as="Nobody", role="operator"), cylinder_id)
    publish(hub, quay)
    record(reef, ActorCertified(actor_id="staff-1", known_as="R. Amat-Lund", role="inspector"), cylinder_id)
    publish(hub, reef)
    read_all(hub)
    with hub.database.transaction() as tx:
        life = life_of(tx, cylinder_id)
    assert life is not None
    assert {row.who for row in life.history} == {"R. Amat-Lund"}


@pytest.mark.parametrize("days", [0, 1, 27, 28, 80, 81, 365, 900, 901, 20_000])
@pytest.mark.parametrize("last", [TODAY, dt.date(2026, 1, 1), dt.date(2026, 12, 31), dt.date(9999, 12, 31)])
def test_a_life_of_any_length_is_drawn(days: int, last: dt.date) -> None:
    first = last - dt.timedelta(days=days)
    row = HistoryRow(
        position=1, event_id=uuid.uuid4(), performed_on=first, at=now(), received_at=now(), node="reef", shop="Reef",
        who="sam", kind="cylinder.condemned", effect="block", title="Condemned", detail="", clears=(),
    )  # fmt: skip
    life = CylinderLife(
        cylinder_id=uuid.uuid4(), as_of=1, standing=Standing(cylinder_id=uuid.uuid4()), standing_words="", tone="good",
        blocks=(), history=(row,), is_cut=False, fills=(), exposures=(),
    )  # fmt: skip
    svg = whole_life(life, last).svg
    xs = [float(x) for x in re.findall(r'class="chart-grid" x1="([0-9.]+)"', svg)]
    assert "Condemned" in svg
    assert xs == sorted(xs)
    assert len(xs) <= 16
    assert all(170 <= x <= 1200 for x in xs)


def test_a_projection_that_fails_does_not_stop_the_others(
    hub: Hub, reef: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(tx: object, batch: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(PROJECTIONS["history"], "_settle", [fails])
    cylinder_id = uuid.uuid4()
    record(reef, CRACK, cylinder_id)
    publish(hub, reef)
    catch_up(hub.database, hub.measures, is_stopped=lambda: False)
    with hub.database.transaction() as tx:
        life = life_of(tx, cylinder_id)
    assert life is not None
    assert (life.standing_words, life.history) == ("Condemned", ())


def test_a_whole_log_is_verified(hub: Hub, reef: Shop) -> None:
    record(reef, CRACK, uuid.uuid4())
    publish(hub, reef)
    report = check_log(hub.database, hub_key=hub.key.public_key())
    head = hub.head()
    assert report.problems == []
    assert (report.epoch, report.position, report.feed_hash) == (head.epoch, head.position, head.feed_hash)
    assert report.facts == head.position


@pytest.mark.parametrize(
    ("tampering", "found"),
    [
        ("update stored_events set state = convert_to(replace(convert_from(state, 'UTF8'), 'Crack', 'Scuff'), 'UTF8')", "signature"),
        ("update feed set effect = 'neutral' where effect = 'block'", "index says otherwise"),
        ("update feed set signature = decode(repeat('00', 64), 'hex') where effect = 'block'", "signature"),
        ("delete from feed where position = 2", "was due"),
        ("update log_head set seq = seq + 1 where node = 'reef-road'", "head"),
        ("update cylinder_standing set document = replace(document, 'Crack', 'Scuff')", "standings differ"),
    ],
)  # fmt: skip
def test_tampering_by_hand_is_found(hub: Hub, reef: Shop, tampering: str, found: str) -> None:
    record(reef, CRACK, uuid.uuid4())
    publish(hub, reef)
    read_all(hub)
    with psycopg.connect(hub.database.url) as connection:
        # As somebody with all rights over the database would.
        connection.execute("set session_replication_role = replica")
        assert connection.execute(tampering.encode()).rowcount > 0
    problems = check_log(hub.database, hub_key=hub.key.public_key()).problems
    assert any(found in problem for problem in problems), problems


def test_a_log_signed_by_a_key_that_was_never_enrolled_is_found(hub: Hub) -> None:
    stranger = Shop("stranger")
    stranger.open()
    publish(hub, stranger)
    problems = check_log(hub.database, hub_key=hub.key.public_key()).problems
    assert problems == ["stranger 1: signed by a key that was never enrolled for it"]


def _forget(hub: Hub) -> None:
    with hub.database.transaction() as tx:
        tx.execute("truncate cylinder_standing, cylinder_claim")
        tx.execute("update projection_cursor set position = 0 where name = 'cylinders'")
