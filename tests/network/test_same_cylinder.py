"""The officer's pages about identity: two records side by side, linked, and parted again without losing a block."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from html import unescape
from uuid import UUID

import httpx
import pytest
from tests.network.shop import Served, Shop, now
from tests.network.test_the_office import PASSWORD, appointed, condemned

from cylinder.facts import CylinderRegistered
from cylinder.marks import Marks
from cylinder.standing import Standing
from eventlog.chain import links
from network.hub import Hub
from network.office.look_up import life_of
from network.projections.runner import catch_up
from network.store.log import PostgresHubLog
from sync.at_hub import append

pytestmark = pytest.mark.wire


@pytest.fixture
def desk(served: Served) -> Iterator[httpx.Client]:
    """An officer's browser, signed in."""
    appointed(served.hub)
    with httpx.Client(
        base_url=served.url, headers={"sec-fetch-site": "same-origin"}, trust_env=False, timeout=20
    ) as client:
        client.post("/office/sign-in", data={"login": "ossel", "password": PASSWORD})
        yield client


def registered(hub: Hub, shop: Shop, **marks: str) -> UUID:
    cylinder_id, before = uuid.uuid4(), len(shop.log)
    said = CylinderRegistered(
        marks=Marks.model_validate(
            {"serial": "BO471-8Q", "maker": "QX", "spec": "3AL", "first_test": "2019-04"} | marks
        )
    )
    shop.record(said.KIND, said.model_dump(mode="json"), subject=f"cylinder/{cylinder_id}")
    with hub.database.transaction() as tx:
        append(PostgresHubLog(tx, hub.recorder), links(shop.log)[before:], now=now())
    read(hub)
    return cylinder_id


def read(hub: Hub) -> None:
    catch_up(hub.database, hub.measures, is_stopped=lambda: False)


def standing(hub: Hub, cylinder_id: UUID) -> Standing:
    read(hub)
    with hub.database.transaction() as tx:
        life = life_of(tx, cylinder_id)
    assert life is not None
    return life.standing


def link_form(other: UUID) -> dict[str, str]:
    return {"other": str(other), "why": "O read as 0", "evidence": "Photograph <3>", "key": str(uuid.uuid4())}


def test_a_record_linked_with_a_condemned_one_is_stopped_and_parted_again_it_stays_so(
    served: Served, desk: httpx.Client, reef: Shop
) -> None:
    hub = served.hub
    bad = condemned(hub, reef)
    other = registered(hub, reef)
    here = f"/office/cylinders/{other}"
    assert f"{here}/same?other={bad}" in desk.get(f"{here}/same").text
    pair = unescape(desk.get(f"{here}/same?other={bad}").text)
    assert "The serials: O read as 0." in pair or "0 read as O" in pair
    assert "no shop fills it under either record" in pair
    assert "Crack <b>in</b> the neck" in pair
    form = link_form(bad)
    empty = desk.post(f"{here}/same", data={**form, "why": " ", "evidence": ""})
    assert empty.status_code == 409
    assert "Say why." in empty.text
    assert "Say what shows it" in empty.text
    for _ in range(2):  # The same form sent twice is one link.
        assert desk.post(f"{here}/same", data=form).status_code == 303
        assert standing(hub, other).is_condemned
    life = desk.get(here).text
    assert "2 records are one cylinder" in life
    assert "Photograph &lt;3&gt;" in life
    apart = desk.get(f"{here}/apart").text
    assert "Parting them lifts nothing" in apart
    (link_id,) = standing(hub, other).links
    words = {"why": "Both were here", "evidence": "Photograph 4"}
    unsaid = desk.post(f"{here}/apart", data={"key": str(uuid.uuid4())})
    assert "Choose the link that was wrong" in unsaid.text
    assert "Say why." in unsaid.text
    parted = {**words, f"link-{link_id}": "yes", "key": str(uuid.uuid4())}
    assert desk.post(f"{here}/apart", data=parted).status_code == 303
    for record in (bad, other):
        assert standing(hub, record).linked == ()
        assert standing(hub, record).is_condemned


def test_a_form_that_was_gone_back_to_and_changed_is_another_link_and_not_passed_over(
    served: Served, desk: httpx.Client, reef: Shop
) -> None:
    first = condemned(served.hub, reef)
    second, third = (registered(served.hub, reef, serial=serial) for serial in ("QQ17731", "QQ59204"))
    form = link_form(second)
    here = f"/office/cylinders/{first}/same"
    for other in (second, third):
        assert desk.post(here, data={**form, "other": str(other)}).status_code == 303
    assert set(standing(served.hub, first).linked) == {second, third}


def test_the_same_serial_from_two_makers_cannot_be_linked(
    served: Served, desk: httpx.Client, reef: Shop
) -> None:
    bad = condemned(served.hub, reef)
    other = registered(served.hub, reef, serial="B0471-8Q", maker="ZV")
    here = f"/office/cylinders/{other}/same"
    assert "The same serial from two makers is two cylinders" in desk.get(f"{here}?other={bad}").text
    refused = desk.post(here, data=link_form(bad))
    assert refused.status_code == 409
    assert standing(served.hub, other).is_clear


@pytest.mark.parametrize("page", ["same", "apart"])
def test_nobody_links_or_parts_without_signing_in_or_from_another_site(
    served: Served, desk: httpx.Client, page: str
) -> None:
    there = f"{served.url}/office/cylinders/{uuid.UUID(int=1)}/{page}"
    headers = {"sec-fetch-site": "same-origin"}
    with httpx.Client(trust_env=False, headers=headers, timeout=20) as stranger:
        for answer in (stranger.get(there), stranger.post(there, data={})):
            assert answer.status_code == 303
            assert answer.headers["location"].startswith("/office/sign-in")
    assert desk.get(there).status_code == 404
    assert desk.post(there, data={}, headers={"sec-fetch-site": "cross-site"}).status_code == 403


def test_the_api_gives_the_same_comparison_and_refuses_with_every_reason(
    served: Served, desk: httpx.Client, reef: Shop
) -> None:
    bad, other = condemned(served.hub, reef), registered(served.hub, reef)
    here = f"/v1/office/cylinders/{other}"
    pair = desk.get(f"{here}/beside/{bad}").json()
    assert [one["words"] for one in pair["union"]] == ["Condemned"]
    assert pair["why_not"] == []
    asked = {"other": str(bad), "why": "O read as 0", "evidence": "Photograph 3", "key": str(uuid.uuid4())}
    assert desk.post(f"{here}/links", json=asked, headers={"sec-fetch-site": "cross-site"}).status_code == 403
    assert desk.post(f"{here}/links", json=asked).status_code == 204
    read(served.hub)
    again = desk.post(f"{here}/links", json={**asked, "key": str(uuid.uuid4())})
    assert (again.status_code, [one["rule"] for one in again.json()["reasons"]]) == (
        409,
        ["link.linked-before"],
    )
    (link,) = desk.get(f"{here}/links").json()["links"]
    split = {"links": [link["id"]], "why": "Two", "evidence": "Both here", "key": str(uuid.uuid4())}
    assert desk.post(f"{here}/splits", json=split).status_code == 204
    assert standing(served.hub, other).is_condemned
