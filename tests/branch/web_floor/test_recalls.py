"""What a later finding calls back of this shop's own fills, and how the board says so."""

from __future__ import annotations

from pathlib import Path
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.branch.a_shop import MARKS, Shop, make_shop
from tests.branch.web_floor.a_feed import Feed
from tests.branch.web_floor.conftest import a_tablet

from branch.recalls import recalls
from cylinder.commands import HandOver
from eventlog.wire import DiverCard

ON_THE_BOARD = "1 fill of ours is called back"


def handed_over(shop: Shop) -> UUID:
    """Filled and given out; gives the cylinder."""
    visit_id = shop.up_to("hand_over")
    shop.do(HandOver, diver_ref="diver-0001", visit_ids=(visit_id,))
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    return cylinder_id


def test_a_fill_is_called_back_by_a_finding_that_came_later_from_next_door(tmp_path: Path) -> None:
    hub = Ed25519PrivateKey.generate()
    here, there = make_shop(tmp_path, hub=hub), make_shop(tmp_path, slug="quay", hub=hub)
    here.node.divers.keep(DiverCard(diver_ref="diver-0001", name="Ana Duarte", email=None, phone="555 0100"))
    tablet, feed = a_tablet(here), Feed(here, there)
    visit_id = here.up_to("standing")
    feed.pass_on()
    cylinder_id = here.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    there.condemn(cylinder_id)
    here.up_to("hand_over", visit_id=visit_id)
    assert ON_THE_BOARD not in tablet.get("/").text
    here.do(HandOver, diver_ref="diver-0001", visit_ids=(visit_id,))
    feed.pass_on()
    assert ON_THE_BOARD in tablet.get("/").text
    page = tablet.get("/recalls").text
    assert MARKS.serial in page
    assert "Condemned at Quay" in page
    assert "could not have known" in page
    assert "Ana Duarte" in page
    assert "555 0100" in page
    with there.node.store.reading() as c:
        assert recalls(c, there.node.settings.node) == ()


def test_our_own_later_finding_calls_our_fill_back_too(shop: Shop) -> None:
    tablet = a_tablet(shop)
    cylinder_id = handed_over(shop)
    assert "No fill of ours is called back" in tablet.get("/recalls").text
    shop.condemn(cylinder_id)
    page = tablet.get("/recalls").text
    assert ON_THE_BOARD in page
    assert "could not have known" in page
    assert "card is not on this tablet any more" in page


def test_nobody_reads_it_without_signing_in(shop: Shop) -> None:
    tablet = a_tablet(shop, role=None)
    assert tablet.get("/recalls").status_code != 200
