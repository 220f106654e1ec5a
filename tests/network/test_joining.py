"""How a node comes in: a code that works once, before its time is over."""

from __future__ import annotations

import datetime as dt
import uuid

import httpx
import psycopg
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.network.shop import Served, now

from eventlog.answer import check_answer
from eventlog.envelope import read
from eventlog.keys import key_id, public_key, public_text
from eventlog.wire import SIGNED_HEADER, Enrolled
from network.enrolment import NotInvitable, offer
from network.hub import Hub
from network.store.pages import page

pytestmark = pytest.mark.wire


def invite(hub: Hub, *, slug: str = "quay", minutes: float = 10) -> str:
    code = uuid.uuid4().hex
    with hub.database.transaction() as tx:
        offer(
            tx, code, slug=slug, name="Quay", role="branch", expires_at=now() + dt.timedelta(minutes=minutes)
        )
    return code


def enrol(served: Served, code: str, key: str) -> httpx.Response:
    return httpx.post(
        f"{served.url}/v1/enrol", json={"code": code, "public_key": key}, timeout=20, trust_env=False
    )


def new_key() -> str:
    return public_text(Ed25519PrivateKey.generate().public_key())


def test_a_code_lets_one_node_in_and_the_network_hears_of_it(served: Served) -> None:
    key = new_key()
    response = enrol(served, invite(served.hub), key)
    enrolled = Enrolled.model_validate_json(response.content)
    assert (enrolled.node, enrolled.name, enrolled.epoch) == ("quay", "Quay", served.hub.head().epoch)
    check_answer(response.content, response.headers[SIGNED_HEADER], public_key(enrolled.hub_public_key))
    with served.hub.database.transaction() as tx:
        event = read(page(tx, after=0, limit=100).items[-1].sealed.raw).event
    assert (event.kind, event.subject) == ("node.enrolled", "node/quay")
    assert event.body == {
        "node": "quay",
        "name": "Quay",
        "public_key": key,
        "key_id": key_id(public_key(key)),
        "role": "branch",
        "phone": "",
        "reply_to": "",
    }


def test_the_same_code_lets_nobody_else_in(served: Served) -> None:
    code = invite(served.hub)
    assert enrol(served, code, new_key()).status_code == 200
    again = enrol(served, code, new_key())
    assert (again.status_code, again.json()["type"]) == (410, "urn:filltrail:problem:code-used")


def test_an_old_code_lets_nobody_in(served: Served) -> None:
    assert enrol(served, invite(served.hub, minutes=-1), new_key()).status_code == 410


def test_a_guessed_code_lets_nobody_in(served: Served) -> None:
    assert enrol(served, "a-guess-at-a-code", new_key()).status_code == 403


def test_nobody_makes_the_hub_read_more_than_an_enrolment(served: Served) -> None:
    answer = enrol(served, "x" * 100_000, new_key())
    assert answer.status_code == 413


def test_what_is_no_enrolment_is_told_where_and_not_what(served: Served) -> None:
    answer = enrol(served, "short", new_key())
    assert (answer.status_code, answer.json()["detail"]) == (422, "Look at: code.")
    assert "short" not in answer.text


def test_what_is_no_key_does_not_spend_the_code(served: Served) -> None:
    code = invite(served.hub)
    assert enrol(served, code, "not a key").status_code == 422
    assert enrol(served, code, new_key()).status_code == 200


def test_two_nodes_cannot_hold_one_key(served: Served) -> None:
    key = new_key()
    assert enrol(served, invite(served.hub, slug="quay"), key).status_code == 200
    assert enrol(served, invite(served.hub, slug="reef"), key).status_code == 409


@pytest.mark.parametrize("slug", ["", "hub", "Quay", "../quay", "quay road", "9lives", "q" * 64])
def test_an_invitation_needs_a_plain_name(hub: Hub, slug: str) -> None:
    with pytest.raises(NotInvitable):
        invite(hub, slug=slug)


def test_the_database_holds_no_code(served: Served) -> None:
    code = invite(served.hub)
    with psycopg.connect(served.hub.database.url) as connection:
        rows = connection.execute("select code_sha256, slug, name from invitation").fetchall()
    assert code not in str(rows)
    assert code.encode() not in bytes(rows[0][0])
