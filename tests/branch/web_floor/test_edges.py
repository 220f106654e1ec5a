"""Bad input, pages for managers, and the pages that say what the shop goes by."""

from __future__ import annotations

from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from fastapi.testclient import TestClient
from tests.branch.a_shop import Shop, make_shop
from tests.branch.web_floor.conftest import Tablet, a_tablet, form

from branch import witness
from branch.web.app import make_app
from branch.web.pages import board
from eventlog.checkpoint import Checkpoint, sign_checkpoint
from eventlog.keys import key_id, public_text
from rulebook import lines_of


def test_ten_megabytes_get_words_and_write_nothing(tablet: Tablet) -> None:
    before = tablet.facts()
    for headers in ({"accept": "text/html"}, {}):
        answer = tablet.client.post(
            "/greet", data={"level": "x" * 10_000_000}, headers={"sec-fetch-dest": "document", **headers}
        )
        assert answer.status_code == 413
        assert "This is larger than 256 KiB. Nothing was saved." in answer.text
    assert tablet.facts() == before


def test_a_form_of_another_site_is_refused(tablet: Tablet) -> None:
    before = tablet.facts()
    answer = tablet.client.post(
        "/people-out",
        data={"people": "out", "key": "4b4f9a1e-7d1c-4c52-9c0a-3c8f0c1f2a11"},
        headers={"sec-fetch-site": "cross-site", "accept": "text/html"},
    )
    assert answer.status_code == 403
    assert "started by a page of another site" in answer.text
    assert tablet.facts() == before


@pytest.mark.parametrize(
    "address",
    [
        "/nowhere",
        "/visits/not-an-id",
        "/cylinders/1",
        "/handed-over/x",
        "/visits/00000000-0000-0000-0000-000000000000",
    ],
)
def test_an_address_that_is_none_gets_words(tablet: Tablet, address: str) -> None:
    page = tablet.get(address)
    assert page.status_code in (404, 409)
    assert "<h1" in page.text
    assert "To the board" in page.text


def test_a_form_that_is_not_whole_gets_every_fault_in_words(tablet: Tablet) -> None:
    visit_id = tablet.shop.up_to("outside")
    before = tablet.facts()
    for data in (
        {},
        {"key": "x", "do": "rack"},
        {"do": "finding", "finding": "x"},
        {"do": "leave", "why": "\x00" * 300},
    ):
        answer = tablet.client.post(f"/visits/{visit_id}/stop", data=data)
        assert answer.status_code in (409, 422)
        assert "Not recorded" in answer.text
    assert tablet.facts() == before


def test_what_fails_in_this_software_is_a_red_page_that_says_do_not_fill(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    tablet = a_tablet(shop)

    def fails(node: object) -> object:
        raise RuntimeError("a bug")

    monkeypatch.setattr(board, "view", fails)
    client = TestClient(make_app(shop.node), base_url="http://pier.test", raise_server_exceptions=False)
    client.cookies = tablet.client.cookies
    page = client.get("/")
    assert page.status_code == 500
    assert "Do not fill." in page.text
    assert "Whether this was recorded, the board shows" in page.text
    assert "RuntimeError" not in page.text


def test_only_a_manager_sees_staff_and_tablets(shop: Shop) -> None:
    for role in ("operator", "inspector"):
        refused = a_tablet(shop, role=role).get("/staff")
        assert refused.status_code == 409
        assert "Only a manager may see or change this." in refused.text


def test_a_manager_takes_somebody_on_gives_a_pin_and_dismisses(shop: Shop) -> None:
    boss = a_tablet(shop, role="manager")
    page = boss.get("/staff")
    easy = boss.send(page, "/staff/take-on", known_as="T. Nilsen", role="operator", pin="111111")
    assert easy.status_code == 422
    assert "A PIN has 6 to 8 digits, not all the same" in easy.text
    assert form(easy, "/staff/take-on").text("known_as") == "T. Nilsen"
    bare = boss.send(page, "/staff/take-on", known_as="T. Nilsen", role="inspector", pin="860477")
    assert "An inspector needs a certificate number and its last day" in bare.text
    month_13 = boss.send(
        page, "/staff/take-on", known_as="T. Nilsen", role="inspector", pin="860477", certificate="C-9",
        certificate_until="2027-13-01",
    )  # fmt: skip
    assert "2027-13-01 is no day" in month_13.text
    for _ in range(2):
        done = boss.send(page, "/staff/take-on", known_as="T. Nilsen", role="operator", pin="860477")
        assert done.status_code == 303
    hired = [one for one in shop.node.people.staff() if one.known_as == "T. Nilsen"]
    assert len(hired) == 1
    actor_id = hired[0].actor.id
    shop.actors["new"] = hired[0].actor
    theirs = a_tablet(shop, role=None).enrol("Bay")
    assert theirs.sign_in("new", pin="860477").status_code == 303
    boss.send(boss.get("/staff"), f"/staff/{actor_id}/pin", pin="975310")
    assert theirs.sign_in("new", pin="860477").status_code == 403
    boss.send(boss.get("/staff"), f"/staff/{actor_id}/dismiss", sure="yes")
    assert theirs.get("/").status_code == 303
    assert theirs.sign_in("new", pin="975310").status_code == 403
    myself = boss.client.post(f"/staff/{shop.actors['manager'].id}/dismiss", data={})
    assert "You cannot dismiss yourself" in myself.text


def test_a_code_enrols_one_tablet_and_a_lost_tablet_is_revoked(shop: Shop) -> None:
    boss = a_tablet(shop, role="manager")
    page = boss.send(boss.get("/staff"), "/staff/code")
    assert "Good for 10 minutes, until 09:40" in page.text
    code = page.text.split('id="code">')[1].split("<")[0]
    lost = a_tablet(shop, role=None)
    assert lost.client.post("/sign-in/tablet", data={"code": code, "name": "Lost one"}).status_code == 303
    again = a_tablet(shop, role=None)
    assert again.client.post("/sign-in/tablet", data={"code": code, "name": "Thief"}).status_code == 403
    assert lost.sign_in().status_code == 303
    device_id = next(one for one, name, _ in shop.node.people.devices() if name == "Lost one")
    boss.send(boss.get("/staff"), f"/staff/tablets/{device_id}/revoke", sure="yes")
    assert lost.get("/").status_code == 303
    assert "not one of" in lost.get("/sign-in").text


def test_the_rules_stand_line_by_line_with_their_sources_and_the_caution(tablet: Tablet) -> None:
    page = tablet.get("/rules").text
    pack = tablet.shop.node.desk.rules
    assert "When in doubt, do not fill" in page
    lines = lines_of(pack)
    kinds = {line.kind for line in lines}
    assert page.count("<tr>") == len(kinds) + len(lines)
    for line in lines:
        assert f"<td>{line.id}</td>" in page
    assert "Defer to local codes and to licensed practice" in page
    assert "180.205" in page


def test_the_network_page_says_ages_and_what_is_not_sent(shop: Shop) -> None:
    tablet = a_tablet(shop)
    shop.greet()
    shop.node.sync.link.state = "cut"
    page = tablet.get("/network").text
    assert "The network does not answer" in page
    assert f"<b>{tablet.facts()}</b>, oldest" in page
    assert "Network cut, news" in tablet.get("/").text
    shop.node.sync.link.heard_at = None
    assert "never heard from the network" in tablet.get("/network").text
    assert "never heard" in tablet.get("/").text


def test_a_hub_that_was_caught_rewriting_its_log_shows_on_every_page(tmp_path: Path) -> None:
    key = Ed25519PrivateKey.generate()
    shop = make_shop(tmp_path, hub=key)
    tablet = a_tablet(shop)
    said = Checkpoint(
        epoch="e1", position=7, root="a" * 64, feed_hash="b" * 64, hub_time=shop.clock.now(),
        key_id=key_id(key.public_key()),
    )  # fmt: skip
    for root in ("a" * 64, "c" * 64):
        signed = sign_checkpoint(said.model_copy(update={"root": root}), key)
        with shop.node.store.writing() as tx:
            witness.take(tx.c, signed, hub_key=key.public_key(), now=shop.clock.now())
    assert "log not what it was" in tablet.get("/").text
    page = tablet.get("/network").text
    assert "The hub&#39;s log was rewritten: position 7 of epoch e1 has two roots." in page
    shop.node.store.close()


def test_the_network_page_names_shops_and_neither_the_hub_nor_the_receipts(shop: Shop) -> None:
    tablet = a_tablet(shop)
    with shop.node.store.writing() as tx:
        for node, name in (("hub", "The hub"), ("receipts", "Receipt post"), ("reef", "Reef Road")):
            tx.trust(node, public_text(Ed25519PrivateKey.generate().public_key()), name)
    page = tablet.get("/network").text
    assert "<p>Pier, Reef Road</p>" in page
    assert "The hub" not in page
    assert "Receipt post" not in page
