"""What the hub answers to a shop that publishes its log, over real HTTP and a real PostgreSQL."""

from __future__ import annotations

import asyncio
import datetime as dt
import gzip
import uuid
from pathlib import Path

import httpx
import psycopg
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.network.shop import Served, Shop, hub_settings, let_shop_in, make_hub, now, serving

from eventlog import ticket
from eventlog.answer import check_answer
from eventlog.envelope import Sealed
from eventlog.event import Effect
from eventlog.feed import Cursor, check_page
from eventlog.hub_client import HubClient, HubRefused, HubUnreachable
from eventlog.wire import SIGNED_HEADER, PushAnswer, PushRefusal
from network.admission import Rate

pytestmark = pytest.mark.wire


def push(
    served: Served, shop: Shop, run: list[Sealed], *, own_seq: int | None = None
) -> PushAnswer | PushRefusal:
    async def send() -> PushAnswer | PushRefusal:
        async with httpx.AsyncClient(trust_env=False) as http:
            client = HubClient(
                http, base_url=served.url, node=shop.slug, key=shop.key,
                hub_public_key=served.hub.key.public_key(), clock=now,
            )  # fmt: skip
            return await client.push(run, own_seq=own_seq)

    return asyncio.run(send())


def post(
    served: Served, shop: Shop, body: bytes, *, node: str | None = None, **headers: str
) -> httpx.Response:
    token = ticket.issue(shop.slug, shop.key, now())
    every = {"authorization": f"Bearer {token}", "content-type": "application/json"} | headers
    url = f"{served.url}/v1/nodes/{node or shop.slug}/events"
    return httpx.post(url, content=body, headers=every, timeout=20, trust_env=False)


def quarantined(served: Served) -> list[tuple[str, bytes]]:
    with psycopg.connect(served.hub.database.url) as connection:
        rows = connection.execute("select reason, raw from quarantine order by id").fetchall()
    return [(row[0], row[1]) for row in rows]


def test_the_next_envelopes_are_accepted_and_numbered(served: Served, reef: Shop) -> None:
    before = served.hub.head().position
    reef.record()
    answer = push(served, reef, reef.log)
    assert isinstance(answer, PushAnswer)
    assert (answer.answer, answer.head.seq, answer.head.hash) == ("accepted", 2, reef.head.hash)
    assert answer.position == served.hub.head().position == before + 2


def test_a_resend_after_a_lost_answer_gets_the_same_answer_and_no_second_copy(
    served: Served, reef: Shop
) -> None:
    first = push(served, reef, reef.log)
    again = push(served, reef, reef.log)
    assert isinstance(first, PushAnswer)
    assert isinstance(again, PushAnswer)
    assert (first.answer, again.answer) == ("accepted", "same")
    assert (again.head, again.position) == (first.head, first.position)


def test_a_resend_that_goes_on_is_accepted_from_where_the_hub_stands(served: Served, reef: Shop) -> None:
    push(served, reef, reef.log)
    reef.record()
    answer = push(served, reef, reef.log)
    assert isinstance(answer, PushAnswer)
    assert (answer.answer, answer.head.seq) == ("accepted", 2)


def test_another_envelope_at_a_known_place_is_a_fork(served: Served, reef: Shop) -> None:
    reef.record()
    push(served, reef, reef.log)
    clone = Shop(reef.slug, reef.key, reef.inc, reef.log[:1])
    clone.record()
    refusal = push(served, reef, clone.log)
    assert isinstance(refusal, PushRefusal)
    assert (refusal.status, refusal.answer) == (409, "fork")
    assert refusal.head is not None
    assert refusal.head.hash == reef.head.hash


def test_a_missing_envelope_is_a_gap_and_the_hub_names_its_head(served: Served, reef: Shop) -> None:
    push(served, reef, reef.log)
    reef.record()
    reef.record()
    refusal = push(served, reef, reef.log[2:])
    assert isinstance(refusal, PushRefusal)
    assert (refusal.status, refusal.answer) == (409, "gap")
    assert refusal.head is not None
    assert refusal.head.seq == 1


def test_a_restored_shop_hears_that_the_hub_knows_more(served: Served, reef: Shop) -> None:
    reef.record()
    push(served, reef, reef.log)
    refusal = push(served, reef, reef.log[:1], own_seq=1)
    assert isinstance(refusal, PushRefusal)
    assert (refusal.status, refusal.answer) == (409, "behind")


def test_a_broken_chain_is_refused_and_kept_as_it_came(served: Served, reef: Shop) -> None:
    push(served, reef, reef.log)
    strayed = Shop(reef.slug, reef.key, reef.inc, [Sealed(b"another", b"")])
    wrong = strayed.record()
    refusal = push(served, reef, [wrong])
    assert isinstance(refusal, PushRefusal)
    assert (refusal.status, refusal.answer) == (422, "broken")
    assert quarantined(served) == [("broken", wrong.raw)]


def test_a_forged_envelope_is_refused_and_kept_as_it_came(served: Served, reef: Shop) -> None:
    right = reef.log[0]
    forged = Sealed(right.raw, Ed25519PrivateKey.generate().sign(b"filltrail/env/1" + right.raw))
    refusal = push(served, reef, [forged])
    assert isinstance(refusal, PushRefusal)
    assert (refusal.status, refusal.answer) == (422, "forged")
    assert quarantined(served) == [("forged", right.raw)]


def test_one_shop_cannot_publish_for_another(served: Served, reef: Shop) -> None:
    quay = Shop("quay")
    let_shop_in(served.hub, quay)
    quay.open()
    assert post(served, reef, quay.push_body(quay.log), node="quay").status_code == 403
    # Nor by putting the other's envelopes into its own log.
    refusal = push(served, reef, quay.log)
    assert isinstance(refusal, PushRefusal)
    assert refusal.answer == "forged"


def test_a_reader_publishes_nothing(served: Served) -> None:
    mail = Shop("mail")
    let_shop_in(served.hub, mail, role="reader")
    mail.open()
    assert post(served, mail, mail.push_body(mail.log)).status_code == 403


@pytest.mark.parametrize(
    "body",
    [b"", b"{", b"[]", b'{"envelopes":[]}', b'{"envelopes":[{"raw":"{}","signature":"AA=="}]}', b"\xff\xfe"],
)
def test_what_is_no_batch_is_refused_and_kept_as_it_came(served: Served, reef: Shop, body: bytes) -> None:
    response = post(served, reef, body)
    assert (response.status_code, response.json()["answer"]) == (422, "malformed")
    assert response.headers["content-type"] == "application/problem+json"
    assert quarantined(served) == [("malformed", body)]


def test_more_than_500_envelopes_are_refused(served: Served, reef: Shop) -> None:
    for _ in range(500):
        reef.record()
    body = b'{"envelopes":[' + b",".join([b'{"raw":"{}","signature":"AA=="}'] * 501) + b"]}"
    response = post(served, reef, body)
    assert (response.status_code, response.json()["answer"]) == (422, "malformed")


def test_a_body_of_ten_megabytes_is_too_large(served: Served, reef: Shop) -> None:
    response = post(served, reef, b"x" * 10_000_000)
    assert response.status_code == 413
    assert response.json()["type"] == "urn:filltrail:problem:too-large"


def test_a_chunked_body_is_counted_too(served: Served, reef: Shop) -> None:
    token = ticket.issue(reef.slug, reef.key, now())
    response = httpx.post(
        f"{served.url}/v1/nodes/{reef.slug}/events",
        content=(b"x" * 100_000 for _ in range(20)),
        headers={"authorization": f"Bearer {token}", "content-type": "application/json"},
        timeout=20,
        trust_env=False,
    )
    assert response.status_code == 413


def test_a_compressed_body_is_not_taken(served: Served, reef: Shop) -> None:
    bomb = gzip.compress(b"0" * 50_000_000)
    assert post(served, reef, bomb, **{"content-encoding": "gzip"}).status_code == 415


def test_without_a_ticket_nothing_is_answered(served: Served) -> None:
    response = httpx.get(f"{served.url}/v1/feed", trust_env=False)
    assert response.status_code == 401
    check_answer(response.content, response.headers[SIGNED_HEADER], served.hub.key.public_key())


def test_a_shop_whose_clock_is_a_day_off_still_publishes(served: Served, reef: Shop) -> None:
    async def send() -> PushAnswer | PushRefusal:
        async with httpx.AsyncClient(trust_env=False) as http:
            client = HubClient(
                http, base_url=served.url, node=reef.slug, key=reef.key,
                hub_public_key=served.hub.key.public_key(), clock=lambda: now() - dt.timedelta(days=1),
            )  # fmt: skip
            return await client.push(reef.log)

    assert isinstance(asyncio.run(send()), PushAnswer)


def test_a_fact_of_an_unknown_kind_is_taken(served: Served, reef: Shop) -> None:
    reef.record("cylinder.sung_to", {"song": "a long one"}, effect=Effect.BLOCK)
    assert isinstance(push(served, reef, reef.log), PushAnswer)


def test_a_fact_published_again_in_a_new_incarnation_keeps_its_position(served: Served, reef: Shop) -> None:
    fact = uuid.uuid4()
    reef.record(event_id=fact)
    first = push(served, reef, reef.log)
    restored = Shop(reef.slug, reef.key)
    restored.open()
    from eventlog.envelope import read

    restored.append(read(reef.log[1].raw).event)
    again = push(served, restored, restored.log)
    assert isinstance(first, PushAnswer)
    assert isinstance(again, PushAnswer)
    # Only the opening of the new log is new to the feed.
    assert (again.head.seq, again.position) == (2, first.position + 1)
    assert quarantined(served) == []


def test_an_id_given_to_another_fact_is_shown_to_a_person(served: Served, reef: Shop) -> None:
    fact = uuid.uuid4()
    reef.record(event_id=fact)
    reef.record("cylinder.condemned", event_id=fact, effect=Effect.BLOCK)
    answer = push(served, reef, reef.log)
    assert isinstance(answer, PushAnswer)
    assert answer.head.seq == 3
    assert quarantined(served) == [("reused id", reef.log[2].raw)]


def test_a_shop_that_asks_too_often_is_told_when_to_come_back(
    fresh_database: str, tmp_path: Path, redis_url: str
) -> None:
    settings = hub_settings(
        fresh_database, tmp_path, redis_url=redis_url, rate=Rate(per_second=0.01, burst=1)
    )
    hub = make_hub(settings)
    shop = Shop(f"busy-{uuid.uuid4().hex[:8]}")
    let_shop_in(hub, shop)
    shop.open()
    with serving(hub) as served:
        assert isinstance(push(served, shop, shop.log), PushAnswer)
        refusal = push(served, shop, shop.log)
    assert isinstance(refusal, PushRefusal)
    assert refusal.answer == "busy"
    assert refusal.retry_after_s is not None
    assert refusal.retry_after_s > 1


def test_a_captive_portal_is_not_the_hub(served: Served, reef: Shop) -> None:
    def portal(request: httpx.Request) -> httpx.Response:
        del request
        return httpx.Response(200, html="<h1>Welcome to the harbour Wi-Fi</h1>")

    async def send() -> None:
        async with httpx.AsyncClient(transport=httpx.MockTransport(portal)) as http:
            client = HubClient(
                http, base_url="http://hub", node=reef.slug, key=reef.key,
                hub_public_key=served.hub.key.public_key(), clock=now,
            )  # fmt: skip
            with pytest.raises(HubUnreachable):
                await client.push(reef.log)
            with pytest.raises(HubUnreachable):
                await client.page(Cursor())

    asyncio.run(send())


def test_a_reader_who_follows_the_pages_holds_what_the_hub_holds(served: Served, reef: Shop) -> None:
    for _ in range(25):
        reef.record()
    push(served, reef, reef.log)

    async def follow() -> Cursor:
        cursor = Cursor()
        async with httpx.AsyncClient(trust_env=False) as http:
            client = HubClient(
                http, base_url=served.url, node=reef.slug, key=reef.key,
                hub_public_key=served.hub.key.public_key(), clock=now,
            )  # fmt: skip
            while True:
                page = await client.page(cursor, limit=10)
                hashes = check_page(page, cursor)
                if not hashes:
                    return cursor
                cursor = Cursor(page.epoch, cursor.position + len(hashes), hashes[-1])

    cursor = asyncio.run(follow())
    head = served.hub.head()
    assert (cursor.epoch, cursor.position, cursor.feed_hash) == (head.epoch, head.position, head.feed_hash)


def test_only_a_full_page_may_be_kept(served: Served, reef: Shop) -> None:
    push(served, reef, reef.log)
    head = served.hub.head()
    token = ticket.issue(reef.slug, reef.key, now())

    def cache_of(limit: int) -> str:
        response = httpx.get(
            f"{served.url}/v1/feed",
            params={"epoch": head.epoch, "after": 0, "limit": limit},
            headers={"authorization": f"Bearer {token}"},
            trust_env=False,
        )
        return str(response.headers["cache-control"])

    assert "immutable" in cache_of(head.position)
    assert cache_of(head.position + 1) == "no-store"


def test_a_reader_ahead_of_the_hub_is_refused(served: Served, reef: Shop) -> None:
    async def ask() -> None:
        async with httpx.AsyncClient(trust_env=False) as http:
            client = HubClient(
                http, base_url=served.url, node=reef.slug, key=reef.key,
                hub_public_key=served.hub.key.public_key(), clock=now,
            )  # fmt: skip
            await client.page(Cursor(served.hub.head().epoch, 10_000, "0" * 64))

    with pytest.raises(HubRefused) as refused:
        asyncio.run(ask())
    assert refused.value.status == 409


@pytest.mark.parametrize("table", ["stored_events", "feed"])
@pytest.mark.parametrize("change", ["update {} set kind = kind", "delete from {}", "truncate {}"])
def test_nobody_edits_the_log(served: Served, reef: Shop, table: str, change: str) -> None:
    push(served, reef, reef.log)
    statement = change.format(table).replace(
        "kind = kind", "seq = seq" if table == "feed" else "topic = topic"
    )
    with (
        psycopg.connect(served.hub.database.url) as connection,
        pytest.raises(psycopg.errors.InsufficientPrivilege),
    ):
        connection.execute(statement.encode())
