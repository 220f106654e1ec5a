"""The depth aids as pages and for programs."""

from __future__ import annotations

from tests.branch.a_shop import Shop
from tests.branch.web_floor.conftest import Tablet, a_tablet

from branch.depth_aids import AIDS

QUESTION = "oxygen=32&helium=0&depth=30&limit=1.4&minutes=20&unit=m"


def test_each_page_shows_figure_formula_source_and_caution(tablet: Tablet) -> None:
    for aid in AIDS:
        page = tablet.get(f"/depth/{aid.name}?{QUESTION}")
        assert page.status_code == 200
        for words in ("How it is worked out", "not a dive computer", "Sea water", 'aria-label="Answer"'):
            assert words in page.text
        assert f'"/depth/{aid.name}"' in tablet.get("/depth").text


def test_what_was_keyed_wrong_stands_there_with_the_reason(tablet: Tablet) -> None:
    page = tablet.get("/depth/end?unit=ft&oxygen=21&helium=90&depth=100")
    assert page.status_code == 422
    assert "more than the whole gas" in page.text
    assert 'value="90"' in page.text
    assert 'value="ft" checked' in page.text


def test_the_shops_unit_is_chosen_where_none_is_keyed(tablet: Tablet) -> None:
    assert 'value="ft" checked' in tablet.get("/depth/mod").text
    assert "111 ft" in tablet.get("/depth/mod?oxygen=32").text


def test_no_such_aid(tablet: Tablet) -> None:
    assert tablet.get("/depth/luck").status_code == 404


def test_programs_get_the_same(tablet: Tablet) -> None:
    answer = tablet.get("/api/depth/ead?oxygen=32&depth=63&unit=ft")
    document = answer.json()
    assert document["figures"][0]["value"] == 50
    assert document["figures"][0]["unit"] == "ft"
    assert "0.79" in document["formula"]
    assert document["caution"]
    wrong = tablet.get("/api/depth/ead?oxygen=x&depth=y&unit=fathom")
    assert wrong.status_code == 422
    assert len(wrong.json()["reasons"]) == 3


def test_nobody_signed_in_gets_nothing(shop: Shop) -> None:
    stranger = a_tablet(shop, role=None)
    assert stranger.get("/api/depth/mod?oxygen=32").status_code == 401
    stranger.enrol()
    assert "MOD at" not in stranger.get("/depth/mod?oxygen=32").text
