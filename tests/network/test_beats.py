"""What a beat tells: the next ticket, a restored node, a second node with the same key, and a hub that fell back."""

from __future__ import annotations

import json
import uuid
from pathlib import Path

import httpx
import pytest
from tests.network.asking import ask, beat_of, copy_of, put_back, rows
from tests.network.shop import Served, Shop, hub_settings, make_hub, now, serving

from eventlog.answer import sign_answer
from eventlog.envelope import read
from eventlog.event import NO_HASH, Effect
from eventlog.hub_client import BeatHeard, HubRefused, HubUnreachable
from eventlog.wire import BeatDocument
from network.beside import TAG_NAME, MarkIsBroken, fallen_behind, mark_of
from network.distrust import NotDone, lift
from network.hub import Hub, Identity
from network.projections.cylinders import cylinders, standing_digest
from network.projections.projection import catch_up_once
from network.restoring import begin_epoch
from network.store.pages import feed_head

pytestmark = pytest.mark.wire


def beat(served: Served, shop: Shop, said: BeatDocument) -> BeatHeard:
    return ask(served, shop, lambda client: client.beat(said))


def facts_of(hub: Hub, kind: str) -> list[dict[str, object]]:
    found = rows(hub.database, f"select state from numbered where kind = '{kind}' order by position")
    return [dict(read(bytes(row[0])).event.body) for row in found]  # type: ignore[call-overload]


def next_life(shop: Shop, *, seq: int) -> Shop:
    """The same node after it began a new incarnation behind its `seq`."""
    after = Shop(shop.slug, shop.key)
    parent = {"inc": str(shop.inc), "seq": seq, "hash": shop.log[seq - 1].hash}
    after.record("node.log_opened", {"parent": parent, "reason": "restore"}, subject=f"node/{shop.slug}")  # type: ignore[dict-item]
    return after


def test_each_beat_gives_the_next_ticket_and_where_the_hub_stands(served: Served, reef: Shop) -> None:
    first = beat(served, reef, beat_of(reef)).answer
    second = beat(served, reef, beat_of(reef, ticket=first.ticket)).answer
    assert (first.verdict, second.verdict) == ("ok", "ok")
    assert len({first.ticket, second.ticket, ""}) == 3
    head = served.hub.head()
    assert (second.epoch, second.head, second.feed_hash) == (head.epoch, head.position, head.feed_hash)


def test_the_same_beat_twice_is_one_beat(served: Served, reef: Shop) -> None:
    said = beat_of(reef)
    assert beat(served, reef, said).answer.ticket == beat(served, reef, said).answer.ticket


def test_a_ticket_that_was_used_is_stale(served: Served, reef: Shop) -> None:
    first = beat(served, reef, beat_of(reef)).answer
    second = beat(served, reef, beat_of(reef, ticket=first.ticket)).answer
    beat(served, reef, beat_of(reef, ticket=second.ticket))
    assert beat(served, reef, beat_of(reef, ticket=first.ticket)).answer.verdict == "stale"


def test_two_living_nodes_with_one_key_become_a_fact_with_the_cut(served: Served, reef: Shop) -> None:
    for _ in range(3):
        reef.record()
    ask(served, reef, lambda client: client.push(reef.log))
    living = beat(served, reef, beat_of(reef)).answer
    clone = next_life(reef, seq=2)
    ask(served, clone, lambda client: client.push(clone.log))
    assert beat(served, clone, beat_of(clone, parent=reef.inc)).answer.verdict == "ok"
    for _ in range(2):
        again = beat(served, reef, beat_of(reef, ticket=living.ticket)).answer
        assert (again.verdict, again.ticket) == ("clone", "")
    (told,) = facts_of(served.hub, "node.suspected")
    assert (told["node"], told["trusted"]) == (reef.slug, [{"inc": str(reef.inc), "seq": 2}])
    assert 'filltrail_beats_total{verdict="clone"} 2.0' in served.hub.measures.text().decode()


def test_a_person_lifts_a_suspicion_once(served: Served, reef: Shop) -> None:
    test_two_living_nodes_with_one_key_become_a_fact_with_the_cut(served, reef)
    with served.hub.database.transaction() as tx:
        lift(tx, served.hub.own_log, reef.slug, "one tablet, restored twice", fact_id=uuid.uuid4(), now=now())
    (lifted,) = facts_of(served.hub, "node.suspicion_lifted")
    suspected = rows(served.hub.database, "select event_id from feed where kind = 'node.suspected'")
    assert lifted["suspicions"] == [str(suspected[0][0])]
    with served.hub.database.transaction() as tx, pytest.raises(NotDone):
        lift(tx, served.hub.own_log, reef.slug, "again", fact_id=uuid.uuid4(), now=now())


def test_standings_are_compared_at_exactly_one_position(hub: Hub, reef: Shop) -> None:
    with serving(hub) as served:
        reef.record("cylinder.condemned", {}, subject=f"cylinder/{uuid.uuid4()}", effect=Effect.BLOCK)
        ask(served, reef, lambda client: client.push(reef.log))
        while catch_up_once(hub.database, cylinders):
            pass
        with hub.database.transaction() as tx:
            head, digest = feed_head(tx), standing_digest(tx)
        here = {"epoch": head.epoch, "position": head.position, "feed_hash": head.feed_hash}
        said = [
            beat(served, reef, beat_of(reef, **here, digest=found)).answer.digest  # type: ignore[arg-type]
            for found in (digest, NO_HASH, None)
        ]
        assert said == ["agree", "differ", "unknown"]
        elsewhere = here | {"position": head.position - 1}
        assert beat(served, reef, beat_of(reef, **elsewhere, digest=digest)).answer.digest == "unknown"  # type: ignore[arg-type]
        kept = rows(hub.database, "select position, has_digest, feed_agrees from node_beat")
        assert kept == [(head.position - 1, "unknown", False)]
        assert 'filltrail_digests_total{verdict="differ"} 1.0' in hub.measures.text().decode()


def test_what_the_hub_once_signed_stops_it_when_its_database_is_an_older_one(
    served: Served, reef: Shop, tmp_path: Path
) -> None:
    hub = served.hub
    with copy_of(hub.database.url) as backup:
        ask(served, reef, lambda client: client.push(reef.log))
        evidence = beat(served, reef, beat_of(reef))
        assert not ask(
            served, reef, lambda client: client.hub_is_behind(evidence.body, evidence.signature)
        ).is_rolled_back
        older = make_hub(
            hub_settings(backup, tmp_path / "older"), Identity(hub.key, hub.own_log.inc, b"m" * 32)
        )
        with serving(older) as again:
            shown = ask(again, reef, lambda client: client.hub_is_behind(evidence.body, evidence.signature))
            assert shown.is_rolled_back
            assert httpx.get(f"{again.url}/readyz", trust_env=False).json()["type"].endswith(":rolled-back")
            with pytest.raises(HubUnreachable, match="503"):
                ask(again, reef, lambda client: client.push(reef.log))
            with pytest.raises(HubUnreachable, match="503"):
                ask(again, reef, lambda client: client.head())
            with pytest.raises(HubUnreachable, match="503"):
                beat(again, reef, beat_of(reef))
            assert older.head().position < evidence.answer.head
        older.close()


def test_nobody_stops_the_hub_with_what_it_did_not_sign(served: Served, reef: Shop) -> None:
    answer = beat(served, reef, beat_of(reef))
    lie = json.dumps(json.loads(answer.body) | {"head": 10_000})
    with pytest.raises(HubRefused) as refused:
        ask(served, reef, lambda client: client.hub_is_behind(lie, answer.signature))
    assert refused.value.status == 422
    with pytest.raises(HubRefused):
        ask(served, reef, lambda client: client.hub_is_behind("{}", sign_answer(b"{}", served.hub.key)))
    assert httpx.get(f"{served.url}/readyz", trust_env=False).status_code == 200


def test_a_new_epoch_goes_on_where_the_database_ends_with_new_tickets(
    served: Served, reef: Shop, tmp_path: Path
) -> None:
    hub = served.hub
    evidence = beat(served, reef, beat_of(reef))
    end, inc = hub.head(), uuid.uuid4()
    begun = begin_epoch(
        hub.database,
        hub.recorder,
        hub.key,
        epoch="second",
        inc=inc,
        opening_id=uuid.uuid4(),
        name="Hub",
        now=now(),
    )
    opening = read(begun.placed[0].link.sealed.raw)
    assert opening.event.body["reason"] == "restore"
    parent = opening.event.body["parent"]
    assert isinstance(parent, dict)
    assert parent["inc"] == str(hub.own_log.inc)
    assert (opening.place.inc, begun.position) == (inc, end.position + 1)
    kept = rows(hub.database, "select epoch, begins_after from epoch order by begins_after, at")
    assert kept == [(end.epoch, 0), ("second", end.position)]
    again = make_hub(hub_settings(hub.database.url, tmp_path / "again"), Identity(hub.key, inc, b"m" * 32))
    with serving(again) as anew:
        taken = beat(anew, reef, beat_of(reef, ticket=evidence.answer.ticket)).answer
        assert (taken.verdict, taken.epoch) == ("ok", "second")
        shown = ask(anew, reef, lambda client: client.hub_is_behind(evidence.body, evidence.signature))
        assert not shown.is_rolled_back
        found = ask(anew, reef, lambda client: client.hash_at(end.position))
        assert (found.epoch, found.feed_hash) == ("second", end.feed_hash)
        assert ask(anew, reef, lambda client: client.hash_at(10_000)).feed_hash is None
    again.close()


def test_a_process_of_the_ended_epoch_serves_nothing_more(served: Served, reef: Shop) -> None:
    hub = served.hub
    begin_epoch(
        hub.database,
        hub.recorder,
        hub.key,
        epoch="second",
        inc=uuid.uuid4(),
        opening_id=uuid.uuid4(),
        name="Hub",
        now=now(),
    )
    # It hears of the new epoch at its next look, within seconds; and its own facts it refuses by the database.
    hub.doorbell.head = hub.head()
    with pytest.raises(HubUnreachable, match="503"):
        ask(served, reef, lambda client: client.push(reef.log))


def test_the_mark_lies_outside_backups_and_shows_an_older_database(served: Served, reef: Shop) -> None:
    hub = served.hub
    with copy_of(hub.database.url) as backup:
        ask(served, reef, lambda client: client.push(reef.log))
        with hub.database.transaction() as tx:
            mark = mark_of(tx, hub.recorder, hub.own_log.inc)
        hub.beside.keep(mark)
        assert hub.beside.mark() == mark
        tag = (hub.beside.folder / TAG_NAME).read_text()
        assert tag.startswith("Signature: 8a477f597d28d172789f06886806bc55\n")
        with hub.database.transaction() as tx:
            assert fallen_behind(tx, hub.recorder, mark) is None
            other = mark.model_copy(update={"feed_hash": NO_HASH})
            assert "another feed" in str(fallen_behind(tx, hub.recorder, other))
            ahead = mark.model_copy(update={"own_seq": mark.own_seq + 1})
            assert "own log" in str(fallen_behind(tx, hub.recorder, ahead))
            unknown = mark.model_copy(update={"epoch": "never heard of"})
            assert "does not know that name" in str(fallen_behind(tx, hub.recorder, unknown))
        put_back(backup, hub.database.url)
        with hub.database.transaction() as tx:
            assert "this database ends at" in str(fallen_behind(tx, hub.recorder, mark))


def test_a_mark_that_somebody_wrote_is_not_believed(hub: Hub) -> None:
    with hub.database.transaction() as tx:
        hub.beside.keep(mark_of(tx, hub.recorder, hub.own_log.inc))
    path = hub.beside.folder / "high-water.json"
    path.write_text(path.read_text().replace("position", "positiom"))
    with pytest.raises(MarkIsBroken):
        hub.beside.mark()
