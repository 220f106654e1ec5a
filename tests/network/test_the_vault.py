"""Divers' cards: sealed, found, given to enrolled nodes only, and never written anywhere in the clear."""

from __future__ import annotations

import asyncio

import httpx
import psycopg
import pytest
from tests.network.shop import Served, Shop, let_shop_in, now

from eventlog import ticket
from eventlog.card import is_address
from eventlog.hub_client import HubClient, HubRefused
from eventlog.wire import DiverCard
from network.vault import card_doubts

ANA = DiverCard(diver_ref="d-0001-ana", name="Ána Duarte", email="Ana@Example.org", phone="+47 912 34 567")


def client(http: httpx.AsyncClient, served: Served, shop: Shop) -> HubClient:
    return HubClient(
        http, base_url=served.url, node=shop.slug, key=shop.key,
        hub_public_key=served.hub.key.public_key(), clock=now,
    )  # fmt: skip


def put(served: Served, shop: Shop, card: DiverCard) -> None:
    async def send() -> None:
        async with httpx.AsyncClient(trust_env=False) as http:
            await client(http, served, shop).put_diver(card)

    asyncio.run(send())


def find(served: Served, shop: Shop, q: str) -> tuple[DiverCard, ...]:
    async def ask() -> tuple[DiverCard, ...]:
        async with httpx.AsyncClient(trust_env=False) as http:
            return await client(http, served, shop).find_divers(q)

    return asyncio.run(ask())


def get(served: Served, shop: Shop, ref: str) -> DiverCard | None:
    async def ask() -> DiverCard | None:
        async with httpx.AsyncClient(trust_env=False) as http:
            return await client(http, served, shop).diver(ref)

    return asyncio.run(ask())


@pytest.mark.wire
def test_a_card_comes_back_as_it_was_given(served: Served, reef: Shop) -> None:
    put(served, reef, ANA)
    assert get(served, reef, ANA.diver_ref) == ANA
    assert get(served, reef, "d-0002-nobody") is None


@pytest.mark.wire
@pytest.mark.parametrize("q", ["ana", "DUARTE", "example.org", "91234"])
def test_a_diver_is_found_by_name_address_or_number(served: Served, reef: Shop, q: str) -> None:
    put(served, reef, ANA)
    assert find(served, reef, q) == (ANA,)


@pytest.mark.wire
def test_one_letter_finds_nobody(served: Served, reef: Shop) -> None:
    put(served, reef, ANA)
    assert find(served, reef, "a") == ()


@pytest.mark.wire
def test_a_changed_card_is_found_by_its_new_name_only(served: Served, reef: Shop) -> None:
    put(served, reef, ANA)
    assert find(served, reef, "duarte") == (ANA,)
    married = ANA.model_copy(update={"name": "Ana Vik"})
    put(served, reef, married)
    assert find(served, reef, "duarte") == ()
    assert find(served, reef, "vik") == (married,)


@pytest.mark.wire
def test_two_divers_cannot_share_an_address(served: Served, reef: Shop) -> None:
    put(served, reef, ANA)
    other = ANA.model_copy(update={"diver_ref": "d-0002-bo", "email": "ana@example.ORG"})
    with pytest.raises(HubRefused) as refused:
        put(served, reef, other)
    assert refused.value.status == 409


@pytest.mark.wire
def test_the_mail_worker_reads_cards_and_writes_none(served: Served, reef: Shop) -> None:
    put(served, reef, ANA)
    mail = Shop("mail")
    let_shop_in(served.hub, mail, role="reader")
    assert get(served, mail, ANA.diver_ref) == ANA
    with pytest.raises(HubRefused) as refused:
        put(served, mail, ANA)
    assert refused.value.status == 403


@pytest.mark.wire
def test_nobody_without_a_ticket_reads_a_card(served: Served, reef: Shop) -> None:
    put(served, reef, ANA)
    for path in (f"/v1/divers/{ANA.diver_ref}", "/v1/divers?q=ana"):
        assert httpx.get(served.url + path, trust_env=False).status_code == 401


@pytest.mark.wire
def test_nothing_readable_lies_in_the_database(served: Served, reef: Shop) -> None:
    put(served, reef, ANA)
    with psycopg.connect(served.hub.database.url) as connection:
        row = connection.execute("select * from diver").fetchone()
    assert row is not None
    whole = b"|".join(bytes(one) for one in row if isinstance(one, bytes)).lower()
    for secret in (b"duarte", b"example", b"912"):
        assert secret not in whole


@pytest.mark.wire
def test_a_refusal_does_not_repeat_what_was_sent(
    served: Served, reef: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    token = ticket.issue(reef.slug, reef.key, now())
    response = httpx.put(
        f"{served.url}/v1/divers/{ANA.diver_ref}",
        json={"diver_ref": ANA.diver_ref, "name": "Secret Name\r\nBcc: x", "email": "secret@@example.org"},
        headers={"authorization": f"Bearer {token}"},
        trust_env=False,
    )
    assert response.status_code == 422
    assert len(response.json()["reasons"]) == 2
    assert "secret" not in response.text.lower()
    captured = capsys.readouterr()
    assert "secret" not in (captured.out + captured.err).lower()


@pytest.mark.parametrize(
    "address", ["ana@example.org", "a.b+c_d@sub.example.co", "o'neil@example.org", "x@a-b.org"]
)
def test_an_address_that_mail_can_be_sent_to_is_taken(address: str) -> None:
    assert is_address(address)


@pytest.mark.parametrize(
    "address",
    [
        "", "ana", "ana@", "@example.org", "ana@example", "ana@@example.org", "a b@example.org", "ana@exa mple.org",
        "ana@example.org\n", "ana@example.org\r\nBcc: x@example.org", "ana\x00@example.org", "ana\x85@example.org",
        "ana\u2028@example.org", "ána@example.org", '"ana"@example.org', "ana@example.org,bo@example.org",
        "<ana@example.org>", ".ana@example.org", "ana.@example.org", "a..b@example.org", "ana@-a.org", "ana@a-.org",
        "ana@[127.0.0.1]", "a" * 65 + "@example.org", "a@" + "b" * 64 + ".org", "a@" + "b.c" * 90 + ".org",
    ],
)  # fmt: skip
def test_an_address_that_could_do_anything_else_is_refused(address: str) -> None:
    assert not is_address(address)


@pytest.mark.parametrize(
    "name", ["\r\n", "Ana\nDuarte", "Ana\x00", "Ana\u2028Duarte", "Ana\x85", "\u202eanA", "   "]
)
def test_a_name_with_control_characters_is_refused(name: str) -> None:
    assert card_doubts(DiverCard(diver_ref="d-0001-ana", name=name))
