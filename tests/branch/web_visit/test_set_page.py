"""The page of a twinset: the diver's other cylinder is offered, joined, named in the rail, and parted."""

from __future__ import annotations

from tests.branch.a_shop import MARKS
from tests.branch.web_visit.conftest import AtVisit, question


def test_two_tags_of_one_diver_become_a_set_and_are_parted_again(visit: AtVisit) -> None:
    shop = visit.shop
    assert "This diver has no other cylinder here" in visit.look("/set").text
    other = shop.greet(tag=15)
    shop.up_to("outside", visit_id=other, marks=MARKS.model_copy(update={"serial": "W99137"}))
    early = visit.answer("set", page="/set")
    assert early.status_code == 409
    assert "Say first which cylinder tag 14 is." in early.text
    shop.up_to("outside", visit_id=visit.id)
    assert "It is one of a twinset" in visit.look().text
    visit.recorded("set", page="/set")
    assert "in one set with tag 15" in visit.look().text
    page = visit.look("/set")
    assert question(page) == "Tag 14 is one of a set"
    assert "W99137" in page.text
    shop.up_to("people_out", visit_id=visit.id)
    held_back = visit.answer("people_out", people="out")
    assert held_back.status_code == 409
    assert "Bring both to the same question" in held_back.text
    visit.recorded("set/part", page="/set")
    assert shop.visit(other).joined is None


def test_the_rating_of_the_other_half_is_not_shown_before_this_one_is_read(visit: AtVisit) -> None:
    shop = visit.shop
    other = shop.greet(tag=15)
    shop.up_to("outside", visit_id=other, marks=MARKS.model_copy(update={"serial": "W99137"}))
    shop.up_to("standing", visit_id=other)
    read = shop.visit(other).rating
    assert read is not None
    shop.up_to("rating", visit_id=visit.id)
    for is_joined in (False, True):
        page = visit.look("/set").text
        assert "its rating is read" in page
        assert read.rated.words not in page
        if not is_joined:
            visit.recorded("set", page="/set")
    shop.up_to("standing", visit_id=visit.id)
    assert read.rated.words in visit.look("/set").text
