"""What the hub takes besides a node's next push: envelopes that come back, and blocks that overtake their log."""

from __future__ import annotations

import uuid
from uuid import UUID

import httpx
import pytest
from tests.network.asking import ask, copy_of, rows, whole_feed
from tests.network.shop import Served, Shop, hub_settings, let_shop_in, new_identity, now, serving
from tests.network.shop import make_hub as made_hub

from eventlog import ticket
from eventlog.envelope import Sealed, read
from eventlog.event import Effect
from eventlog.hub_client import HubRefused
from eventlog.wire import GivenBack, PushAnswer, PushRefusal
from network.distrust import revoke
from network.hub import Hub
from network.verify import check_log

pytestmark = pytest.mark.wire
CYLINDER = UUID(int=7)


def condemn(shop: Shop) -> Sealed:
    return shop.record("cylinder.condemned", {}, subject=f"cylinder/{CYLINDER}", effect=Effect.BLOCK)


def push(served: Served, shop: Shop, run: list[Sealed]) -> PushAnswer | PushRefusal:
    return ask(served, shop, lambda client: client.push(run))


def give_back(served: Served, shop: Shop, run: list[Sealed]) -> GivenBack:
    return ask(served, shop, lambda client: client.give_back(run))


def is_whole(hub: Hub) -> bool:
    problems = check_log(hub.database, hub_key=hub.key.public_key()).problems
    assert not problems, problems
    return True


def test_a_hub_that_lost_a_day_is_given_it_back_whoever_has_it(
    served: Served, reef: Shop, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Another shop returns it all, the hub's own facts and a shop that the backup never knew among it."""
    hub, quay = served.hub, Shop("quay")
    push(served, reef, reef.log)
    with copy_of(hub.database.url) as backup_url:
        let_shop_in(hub, quay)
        quay.open()
        condemn(quay)
        reef.record()
        push(served, quay, quay.log)
        push(served, reef, reef.log)
        before = whole_feed(served, reef)
        identity = new_identity()
        restored = made_hub(
            hub_settings(backup_url, tmp_path_factory.mktemp("restored")),
            identity.__class__(key=hub.key, inc=uuid.uuid4(), master_key=identity.master_key),
        )
        with serving(restored) as again:
            held = whole_feed(again, reef)
            lost = [one for one in before if one not in held]
            assert len(lost) == 4
            first = give_back(again, reef, lost)
            assert first.epoch == restored.epoch
            assert set(first.unknown_key) == {one.hash for one in quay.log}
            second = give_back(again, reef, lost)
            assert set(second.settled) == {one.hash for one in lost}
            assert {one.hash for one in whole_feed(again, quay)} >= {one.hash for one in before}
            assert give_back(again, reef, lost).position == second.position
            assert push(again, quay, quay.log).answer == "same"
        restored.close()


def test_an_envelope_without_its_predecessor_counts_and_the_hole_is_on_record(
    served: Served, reef: Shop
) -> None:
    push(served, reef, reef.log)
    reef.record()
    reef.record()
    late = condemn(reef)
    answer = give_back(served, reef, [late])
    assert answer.settled == (late.hash,)
    assert whole_feed(served, reef)[-1] == late
    assert rows(served.hub.database, "select why, follows_seq, seq from loose") == [("hole", 1, 4)]
    assert is_whole(served.hub)
    taken = push(served, reef, reef.log)
    assert isinstance(taken, PushAnswer)
    assert (taken.head.seq, taken.position) == (4, answer.position + 2)
    assert is_whole(served.hub)


def test_a_block_overtakes_ten_thousand_facts_and_keeps_its_position(served: Served, reef: Shop) -> None:
    reef.record()
    urgent = condemn(reef)
    alerted = ask(served, reef, lambda client: client.alert(urgent))
    assert (alerted.settled, alerted.position) == ((urgent.hash,), served.hub.head().position)
    taken = push(served, reef, reef.log)
    assert isinstance(taken, PushAnswer)
    assert taken.position == alerted.position + 2
    feed = whole_feed(served, reef)
    assert feed.index(urgent) < feed.index(reef.log[0])
    assert is_whole(served.hub)


def test_only_what_blocks_overtakes_and_only_the_own(served: Served, reef: Shop) -> None:
    quay = Shop("quay")
    let_shop_in(served.hub, quay)
    quay.open()
    for sealed, why in ((reef.record(), "blocks nothing"), (condemn(quay), "signature is not whose")):
        with pytest.raises(HubRefused, match=why) as refused:
            ask(served, reef, lambda client, one=sealed: client.alert(one))  # type: ignore[misc]
        assert refused.value.status == 422
    assert rows(served.hub.database, "select count(*) from loose") == [(0,)]


def test_both_sides_of_a_fork_are_kept(served: Served, reef: Shop) -> None:
    reef.record()
    push(served, reef, reef.log)
    other = Shop(reef.slug, reef.key, reef.inc, reef.log[:1])
    fork = condemn(other)
    refused = push(served, other, other.log)
    assert isinstance(refused, PushRefusal)
    assert refused.answer == "fork"
    assert ("fork", other.push_body(other.log)) in rows(
        served.hub.database, "select reason, raw from quarantine"
    )
    assert give_back(served, other, [fork]).settled == (fork.hash,)
    assert rows(served.hub.database, "select why, follows_seq, seq from loose") == [("fork", 2, 2)]
    assert whole_feed(served, reef)[-1] == fork
    assert is_whole(served.hub)


def test_what_is_forged_or_of_nobody_is_not_taken(served: Served, reef: Shop) -> None:
    stranger, position = Shop("stranger"), served.hub.head().position
    genuine = reef.record()
    forged = Sealed(genuine.raw, bytes(64))
    answer = give_back(served, reef, [forged, stranger.open(), Sealed(b"{}", b"")])
    assert answer.refused == (forged.hash, Sealed(b"{}", b"").hash)
    assert answer.unknown_key == (stranger.log[0].hash,)
    assert (answer.settled, answer.position, served.hub.head().position) == ((), 0, position)


def test_a_batch_without_end_or_sense_is_refused(served: Served, reef: Shop) -> None:
    headers = {
        "authorization": f"Bearer {ticket.issue(reef.slug, reef.key, now())}",
        "content-type": "application/json",
    }
    for name in ("give-back", "alerts", "beat"):
        url = f"{served.url}/v1/nodes/{reef.slug}/{name}"
        said = httpx.post(url, content=b'{"envelopes": []}', headers=headers, trust_env=False)
        assert (said.status_code, said.headers["content-type"]) == (422, "application/problem+json")
        large = httpx.post(url, content=b" " * (2 << 20), headers=headers, trust_env=False)
        assert large.status_code == 413
        other = httpx.post(url.replace(reef.slug, "quay"), content=b"{}", headers=headers, trust_env=False)
        assert other.status_code == 403
    said = httpx.post(f"{served.url}/v1/enrol/again", content=b"{}", headers=headers, trust_env=False)
    assert said.status_code == 422


def test_of_a_withdrawn_key_only_what_blocks_is_taken(served: Served, reef: Shop) -> None:
    push(served, reef, reef.log)
    with served.hub.database.transaction() as tx:
        revoke(tx, served.hub.own_log, reef.slug, "the tablet was stolen", fact_id=uuid.uuid4(), now=now())
    told = read(whole_feed_of(served.hub)[-1].raw).event
    assert (told.kind, told.subject) == ("node.key_revoked", f"node/{reef.slug}")
    assert told.body["trusted"] == [{"inc": str(reef.inc), "seq": 1}]
    reef.record()
    bad_news = condemn(reef)
    refusal = push(served, reef, reef.log[1:])
    assert isinstance(refusal, PushRefusal)
    assert (refusal.status, refusal.answer) == (202, "quarantined")
    assert whole_feed_of(served.hub)[-1] == bad_news
    assert ("revoked", reef.push_body(reef.log[1:])) in rows(
        served.hub.database, "select reason, raw from quarantine"
    )
    worse = condemn(reef)
    assert ask(served, reef, lambda client: client.alert(worse)).settled == (worse.hash,)
    with pytest.raises(HubRefused, match="revoked"):
        give_back(served, reef, [reef.log[1]])
    assert is_whole(served.hub)


def whole_feed_of(hub: Hub) -> list[Sealed]:
    found = rows(hub.database, "select state, signature from numbered order by position")
    return [Sealed(bytes(state), bytes(signature)) for state, signature in found]  # type: ignore[call-overload]


def test_a_forgotten_shop_comes_back_by_the_fact_of_its_enrolment(served: Served, reef: Shop) -> None:
    enrolment = next(one for one in whole_feed_of(served.hub) if read(one.raw).event.kind == "node.enrolled")
    with served.hub.database.transaction() as tx:
        tx.execute("delete from node where slug = 'reef-road'")
        tx.execute("delete from node_key where node = 'reef-road'")
    with pytest.raises(HubRefused) as unknown:
        push(served, reef, reef.log)
    assert unknown.value.status == 401
    thief = Shop(reef.slug)
    with pytest.raises(HubRefused) as refused:
        ask(served, thief, lambda client: client.enrol_again(enrolment))
    assert refused.value.status == 401
    back = ask(served, reef, lambda client: client.enrol_again(enrolment))
    assert (back.node, back.name, back.epoch) == (reef.slug, reef.slug.title(), served.hub.epoch)
    assert push(served, reef, reef.log).answer == "accepted"


def test_an_enrolment_that_was_overtaken_or_is_not_the_hubs_lets_nobody_in(
    served: Served, reef: Shop
) -> None:
    enrolment = next(one for one in whole_feed_of(served.hub) if read(one.raw).event.kind == "node.enrolled")
    renewed = Shop(reef.slug)
    let_shop_in(served.hub, renewed)
    with pytest.raises(HubRefused) as overtaken:
        ask(served, reef, lambda client: client.enrol_again(enrolment))
    assert overtaken.value.status == 409
    own_word = reef.record("node.enrolled", {"node": reef.slug}, subject=f"node/{reef.slug}")
    with pytest.raises(HubRefused) as refused:
        ask(served, reef, lambda client: client.enrol_again(own_word))
    assert refused.value.status == 422


def test_what_was_signed_with_an_earlier_key_can_still_be_given_back(served: Served, reef: Shop) -> None:
    push(served, reef, reef.log)
    lost = reef.record()
    renewed = Shop(reef.slug)
    let_shop_in(served.hub, renewed)
    assert give_back(served, renewed, [lost]).settled == (lost.hash,)
    assert is_whole(served.hub)
