"""A condemnation of the wrong cylinder, taken back through the hub's pages and real stores: never by one person alone."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from uuid import UUID

import httpx
import pytest
from tests.network.shop import Served, Shop, let_shop_in, now, serving
from tests.network.test_the_office import PASSWORD, appointed, condemned

from cylinder.facts import ActorCertified, AnnulmentProposed, AnnulmentSeconded
from cylinder.refusal import Refused
from eventlog.chain import links
from eventlog.event import Effect, Event, Seen
from network.hub import Hub
from network.office.annulling import condemnations_of, record_annulment, record_proposal
from network.office.look_up import life_of
from network.projections.runner import catch_up
from network.store.log import PostgresHubLog
from sync.at_hub import append

pytestmark = pytest.mark.wire
OFFICER = "officer-ossel"
DAY = dt.timedelta(hours=24)


@pytest.fixture
def lantern(hub: Hub) -> Shop:
    """The other shop, with an inspector on its record."""
    shop = Shop("lantern")
    let_shop_in(hub, shop)
    shop.open()
    said = ActorCertified(actor_id="ines", known_as="Ines", role="inspector", certificate="C-7")
    shop.record(said.KIND, said.model_dump(mode="json"), subject="actor/ines")
    return shop


@pytest.fixture
def desk(served: Served) -> Iterator[httpx.Client]:
    """An officer's browser, signed in."""
    appointed(served.hub)
    with httpx.Client(
        base_url=served.url, headers={"sec-fetch-site": "same-origin"}, trust_env=False, timeout=20
    ) as client:
        client.post("/office/sign-in", data={"login": "ossel", "password": PASSWORD})
        yield client


def take_in(hub: Hub, shop: Shop, *, upto: int) -> None:
    """What the shop recorded after its number `upto` reaches the hub, and the pages."""
    with hub.database.transaction() as tx:
        append(PostgresHubLog(tx, hub.recorder), links(shop.log)[upto:], now=now())
    read(hub)


def read(hub: Hub) -> None:
    catch_up(hub.database, hub.measures, is_stopped=lambda: False)


def proposal_of(hub: Hub, cylinder_id: UUID) -> tuple[UUID, UUID]:
    """The open proposal and the condemnation that it names."""
    with hub.database.transaction() as tx:
        (under,) = condemnations_of(tx, cylinder_id, OFFICER, now=now()).under
    return under.proposal.proposed.id, under.proposal.block.id


def second(shop: Shop, cylinder_id: UUID, proposal: UUID, block: UUID) -> None:
    said = AnnulmentSeconded(proposal=proposal, block=block, finding="No crack in this neck")
    shop.append(
        Event(
            id=uuid.uuid4(), kind=said.KIND, v=1, subject=f"cylinder/{cylinder_id}",
            body=said.model_dump(mode="json"), performed_on=now().date(), at=now(), actor="ines",
            role="inspector", software="test", effect=Effect.NEUTRAL, seen=Seen(),
        )
    )  # fmt: skip


def block_of(hub: Hub, cylinder_id: UUID) -> UUID:
    with hub.database.transaction() as tx:
        (block,) = condemnations_of(tx, cylinder_id, OFFICER, now=now()).standing
    return block.id


def is_clear(hub: Hub, cylinder_id: UUID) -> bool:
    read(hub)
    with hub.database.transaction() as tx:
        life = life_of(tx, cylinder_id)
    assert life is not None
    return life.standing.is_clear


def test_proposed_seconded_elsewhere_and_annulled_after_a_day_it_is_clear(
    hub: Hub, reef: Shop, lantern: Shop
) -> None:
    appointed(hub)
    cylinder_id, block = (made := condemned(hub, reef)), block_of(hub, made)
    opened = now()

    def annul(proposal: UUID, at: dt.datetime) -> None:
        with hub.database.transaction() as tx:
            record_annulment(
                tx,
                hub.own_log,
                cylinder_id,
                proposal,
                "Wrong record",
                officer=OFFICER,
                key=uuid.uuid4(),
                now=at,
            )

    key = uuid.uuid4()
    for _ in range(2):  # The same form sent twice is one proposal.
        with hub.database.transaction() as tx:
            said = AnnulmentProposed(block=block, why="Misread", evidence="Photograph 12")
            record_proposal(tx, hub.own_log, cylinder_id, said, officer=OFFICER, key=key, now=opened)
        read(hub)
    assert proposal_of(hub, cylinder_id) == (key, block)
    with pytest.raises(Refused) as refused:
        annul(key, opened + DAY)
    assert [one.rule_id for one in refused.value.reasons] == ["annul.no-second"]
    second(lantern, cylinder_id, key, block)
    take_in(hub, lantern, upto=0)
    with pytest.raises(Refused) as refused:
        annul(key, opened + DAY - dt.timedelta(seconds=1))
    assert [one.rule_id for one in refused.value.reasons] == ["annul.too-early"]
    assert not is_clear(hub, cylinder_id)
    annul(key, opened + DAY)
    assert is_clear(hub, cylinder_id)


def test_the_page_proposes_and_says_everything_that_is_missing(
    served: Served, desk: httpx.Client, reef: Shop, lantern: Shop
) -> None:
    hub = served.hub
    cylinder_id = condemned(hub, reef)
    here = f"/office/cylinders/{cylinder_id}"
    assert f"{here}/wrong" in desk.get(here).text
    asked = desk.get(f"{here}/wrong").text
    assert "49 CFR 180.203" in asked
    block = block_of(hub, cylinder_id)
    form = {"block": str(block), "why": "Misread <b>", "evidence": "Photograph 12", "key": str(uuid.uuid4())}
    empty = desk.post(f"{here}/wrong", data={**form, "why": " ", "evidence": ""})
    assert empty.status_code == 409
    assert "Say what is wrong" in empty.text
    assert "Say what shows it" in empty.text
    assert desk.post(f"{here}/wrong", data=form).status_code == 303
    read(hub)
    page = desk.get(f"{here}/wrong").text
    assert "Misread &lt;b&gt;" in page
    proposal, _ = proposal_of(hub, cylinder_id)
    for text in (page, desk.post(
        f"{here}/annul", data={"proposal": str(proposal), "key": str(uuid.uuid4()), "finding": "Alone"}
    ).text):  # fmt: skip
        assert "No inspector has agreed yet" in unescape(text)
        assert "24 hours have to pass" in text
        assert "Annul the record" not in text
    assert not is_clear(hub, cylinder_id)


def test_the_button_comes_when_nothing_is_missing_and_the_record_goes(
    hub: Hub, reef: Shop, lantern: Shop
) -> None:
    cylinder_id, key = condemned(hub, reef), uuid.uuid4()
    appointed(hub)
    block = block_of(hub, cylinder_id)
    read(hub)
    with hub.database.transaction() as tx:
        said = AnnulmentProposed(block=block, why="Misread", evidence="Photograph 12")
        record_proposal(tx, hub.own_log, cylinder_id, said, officer=OFFICER, key=key, now=now())
    second(lantern, cylinder_id, key, block)
    take_in(hub, lantern, upto=0)
    later = replace(hub, world=replace(hub.world, clock=lambda: now() + DAY))
    here = f"/office/cylinders/{cylinder_id}"
    with (
        serving(later) as served,
        httpx.Client(
            base_url=served.url, headers={"sec-fetch-site": "same-origin"}, trust_env=False, timeout=20
        ) as client,
    ):
        form = {"proposal": str(key), "key": str(uuid.uuid4()), "finding": "Wrong record"}
        assert client.post(f"{here}/annul", data=form).headers["location"].startswith("/office/sign-in")
        client.post("/office/sign-in", data={"login": "ossel", "password": PASSWORD})
        page = client.get(f"{here}/wrong").text
        assert "Annul the record" in page
        assert "No crack in this neck" in page
        other = client.post(f"{here}/annul", data=form, headers={"sec-fetch-site": "cross-site"})
        assert other.status_code == 403
        assert client.post(f"{here}/annul", data=form).status_code == 303
        assert is_clear(hub, cylinder_id)
        assert f"{here}/wrong" not in client.get(here).text
