"""An inspector of another shop agrees at the bench that a condemnation was written against the wrong record."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, field
from pathlib import Path
from uuid import UUID

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.branch.a_shop import MARKS, Shop, make_shop
from tests.branch.web_floor.a_feed import Feed
from tests.branch.web_floor.conftest import Tablet, a_tablet
from tests.branch.web_visit.conftest import question

from branch.store.rows import standing_row
from cylinder import commands as c
from cylinder import facts as f
from eventlog.chain import LOG_OPENED
from eventlog.envelope import Place, Sealed, seal
from eventlog.event import Effect, Event, Seen
from eventlog.keys import key_id

OFFICER = "officer-1"


@dataclass
class Hub:
    """The hub's own log, put into the shops' feed."""

    feed: Feed
    key: Ed25519PrivateKey
    inc: UUID = field(default_factory=uuid.uuid4)
    log: list[Sealed] = field(default_factory=list)

    def says(self, fact: f.Fact, subject: str, shop: Shop, *, clears: tuple[UUID, ...] = ()) -> UUID:
        """Record a fact by the officer, at the shop's hour."""
        if not self.log:
            self._seal(LOG_OPENED, {"parent": None, "reason": "first"}, "node/hub", shop)
        body = fact.model_dump(mode="json")
        return self._seal(fact.KIND, body, subject, shop, Effect(fact.EFFECT), clears)

    def _seal(
        self, kind: str, body: dict[str, object], subject: str, shop: Shop,
        effect: Effect = Effect.NEUTRAL, clears: tuple[UUID, ...] = (),
    ) -> UUID:  # fmt: skip
        event = Event.model_validate(
            {
                "id": uuid.uuid4(), "kind": kind, "v": 1, "effect": effect, "subject": subject, "body": body,
                "performed_on": shop.clock.at.date(), "at": shop.clock.at, "seen": Seen(), "actor": OFFICER,
                "role": "officer", "software": "test", "clears": clears,
            }
        )  # fmt: skip
        before = self.log[-1].hash if self.log else "0" * 64
        place = Place("hub", key_id(self.key.public_key()), self.inc, len(self.log) + 1, before)
        sealed = seal(event, place, recorded_at=shop.clock.at, key=self.key)
        self.log.append(sealed)
        self.feed.put(sealed, shop.clock.at)
        return event.id


@dataclass
class Case:
    """Condemned at the quay, said by the officer to be the wrong record, seen at the pier."""

    here: Shop
    there: Shop
    feed: Feed
    cylinder_id: UUID
    proposal: UUID

    @property
    def page(self) -> str:
        return f"/bench/{self.cylinder_id}"

    def second(self, tablet: Tablet, **values: str) -> int:
        asked = tablet.get(f"{self.page}/wrong-record?proposal={self.proposal}")
        given = {"finding": "Neck is sound", "last_four": "0718", **values}
        return tablet.send(asked, f"{self.page}/wrong-record", **given).status_code


@pytest.fixture
def case(tmp_path: Path) -> Case:
    key = Ed25519PrivateKey.generate()
    here, there = make_shop(tmp_path, hub=key), make_shop(tmp_path, slug="quay", hub=key)
    feed = Feed(here, there)
    hub = Hub(feed, key)
    cylinder_id = there.do(c.Register, marks=MARKS).cylinder_id
    assert cylinder_id is not None
    condemned = there.condemn(cylinder_id).records[0].id
    officer = f.ActorCertified(actor_id=OFFICER, known_as="A. Ossel", role="officer")
    hub.says(officer, f"actor/{OFFICER}", here)
    said = f.AnnulmentProposed(block=condemned, why="Serial misread", evidence="Photograph 12")
    proposal = hub.says(said, f"cylinder/{cylinder_id}", here)
    feed.pass_on()
    return Case(here, there, feed, cylinder_id, proposal)


def test_the_other_shops_inspector_sees_it_and_agrees_and_it_stays_condemned(case: Case) -> None:
    inspector = a_tablet(case.here, role="inspector")
    page = inspector.get(case.page).text
    assert "Said to be the wrong record" in page
    assert "Serial misread (Photograph 12)" in page
    asked = inspector.get(f"{case.page}/wrong-record?proposal={case.proposal}")
    assert question(asked) == "Is this record of another cylinder?"
    assert "49 CFR 180.203" in asked.text
    assert "Condemned" in asked.text
    assert case.second(inspector) == 303
    after = inspector.get(case.page)
    assert question(after) == "Condemned. Never fill it"
    assert "An inspector of another shop agrees" in after.text
    assert "I hold it in hand" not in after.text
    with case.here.node.store.reading() as cursor:
        standing = standing_row(cursor, case.cylinder_id)
    assert standing is not None
    assert standing.is_condemned


def test_the_last_four_and_a_finding_are_asked_for(case: Case) -> None:
    inspector = a_tablet(case.here, role="inspector")
    assert case.second(inspector, last_four="9999") == 409
    assert case.second(inspector, finding=" ") == 422
    assert "An inspector of another shop agrees" not in inspector.get(case.page).text


def test_the_shop_that_condemned_is_not_asked_and_is_refused(case: Case) -> None:
    inspector = a_tablet(case.there, role="inspector")
    page = inspector.get(case.page).text
    assert "Said to be the wrong record" in page
    assert "I hold it in hand" not in page
    assert case.second(inspector) == 409


def test_an_operator_reads_it_and_may_not_agree(case: Case) -> None:
    operator = a_tablet(case.here)
    assert "I hold it in hand" not in operator.get(case.page).text
    asked = operator.get(f"{case.page}/wrong-record?proposal={case.proposal}")
    assert question(asked) == "This needs an inspector"


def test_a_proposal_that_is_not_there_leads_back(case: Case) -> None:
    inspector = a_tablet(case.here, role="inspector")
    gone = inspector.get(f"{case.page}/wrong-record?proposal={uuid.uuid4()}")
    assert (gone.status_code, gone.headers["location"]) == (303, case.page)
