"""A serial that nobody can read: tagged, photographed, labelled and held; later an inspector reads it and the records meet."""

from __future__ import annotations

import hashlib

import httpx
import pytest
from tests.branch.a_shop import MARKS, Shop
from tests.branch.web_floor.conftest import Tablet, form
from tests.branch.web_visit.conftest import AtVisit

from branch.photos import FOLDER, LARGEST_BYTES
from branch.store.rows import facts_of_visit, standing_row
from cylinder import commands as c
from cylinder import facts as f
from cylinder.standing import Standing
from cylinder.tags import is_tag, tag_among

JPEG = b"\xff\xd8\xff\xe0" + b"a shoulder" * 40
SAID = {
    "unread": "Ground off <b>",
    "maker": "ZQ",
    "spec": "3AL",
    "first_test_month": "7",
    "first_test_year": "2021",
}


def tag_it(visit: AtVisit, content: bytes | None = JPEG, **more: str) -> httpx.Response:
    page = visit.look("/unread")
    sealed = dict(form(page, f"{visit.here}/unread").fields)
    files = {} if content is None else {"photo": ("shoulder.jpg", content, "image/jpeg")}
    answer = visit.tablet.client.post(f"{visit.here}/unread", data={**sealed, **SAID, **more}, files=files)
    assert isinstance(answer, httpx.Response)
    return answer


def tagged(visit: AtVisit) -> Standing:
    assert tag_it(visit).status_code == 303
    cylinder_id = visit.shop.visit(visit.id).cylinder_id
    assert cylinder_id is not None
    with visit.shop.node.store.reading() as cursor:
        standing = standing_row(cursor, cylinder_id)
    assert standing is not None
    return standing


def photos(shop: Shop) -> list[str]:
    folder = shop.node.store.path.parent / FOLDER
    return sorted(one.name for one in folder.iterdir()) if folder.is_dir() else []


def test_it_is_tagged_and_held_and_the_photograph_stays_here(visit: AtVisit) -> None:
    assert "The serial cannot be read" in visit.look().text
    standing = tagged(visit)
    assert standing.is_only_held
    tag = tag_among(standing.marks)
    assert tag is not None
    sha256 = hashlib.sha256(JPEG).hexdigest()
    assert photos(visit.shop) == [sha256]
    with visit.shop.node.store.reading() as cursor:
        said = [one.fact for one in facts_of_visit(cursor, visit.id, visit.shop.node.settings.node)]
    (kept,) = [one for one in said if isinstance(one, f.CylinderTagged)]
    assert (kept.photo_sha256, kept.tag) == (sha256, tag.serial)
    assert "hold" in visit.look().text.lower()
    here = f"/cylinders/{standing.cylinder_id}"
    shown = visit.tablet.get(f"{here}/photo")
    assert (shown.content, shown.headers["content-type"]) == (JPEG, "image/jpeg")
    assert shown.headers["x-content-type-options"] == "nosniff"
    label = visit.tablet.get(f"{here}/tag.svg").text
    assert "NO MAKER&#x27;S SERIAL" in label
    assert tag.serial[5:9] in label
    assert "Ground off &lt;b&gt;" in visit.tablet.get(f"{here}/identity").text
    assert [one.serial for one in standing.marks if is_tag(one.serial)] == [tag.serial]
    assert (
        visit.tablet.get(
            "/find",
        ).status_code
        == 200
    )
    assert tag.serial in visit.tablet.client.get("/find", params={"serial": tag.serial}).text


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "Take a photograph of the shoulder."),
        (b"<svg onload=alert(1)>", "That file is no photograph"),
        (JPEG + b"\0" * LARGEST_BYTES, "larger than 6 MB"),
    ],
)
def test_what_is_no_photograph_is_refused_and_not_kept(
    visit: AtVisit, content: bytes | None, words: str
) -> None:
    refused = tag_it(visit, content)
    assert refused.status_code == 422
    assert words in refused.text
    assert photos(visit.shop) == []
    assert visit.step == "identify"


def test_a_photograph_whose_form_is_refused_does_not_stay_and_one_on_record_does(
    visit: AtVisit, shop: Shop
) -> None:
    for wrong in ({"unread": ""}, {"first_test_month": "13"}, {"first_test_month": "x"}):
        assert tag_it(visit, JPEG, **wrong).status_code in (409, 422)
        assert photos(shop) == []
    assert tag_it(visit).status_code == 303
    again = AtVisit(visit.tablet, shop.greet(tag=15))
    assert tag_it(again, JPEG, unread="").status_code == 422
    assert photos(shop) == [hashlib.sha256(JPEG).hexdigest()]


def test_a_form_that_is_larger_than_any_photograph_is_not_read(visit: AtVisit) -> None:
    answer = visit.tablet.client.post(f"{visit.here}/unread", content=b"x" * (LARGEST_BYTES + 300_000))
    assert answer.status_code == 413
    assert visit.tablet.client.post(f"{visit.here}/identify", content=b"x" * 300_000).status_code == 413


def test_the_photograph_is_for_staff_only_and_a_record_without_one_has_none(
    visit: AtVisit, shop: Shop
) -> None:
    standing = tagged(visit)
    visit.tablet.post("/sign-out", {})
    assert visit.tablet.get(f"/cylinders/{standing.cylinder_id}/photo").status_code != 200
    plain = shop.do(c.Register, marks=MARKS).cylinder_id
    assert visit.tablet.get(f"/cylinders/{plain}/photo").status_code != 200


def test_an_inspector_reads_the_serial_and_both_records_are_one(visit: AtVisit, inspector: Tablet) -> None:
    standing = tagged(visit)
    known = visit.shop.do(c.Register, marks=MARKS).cylinder_id
    assert known is not None
    here = f"/cylinders/{standing.cylinder_id}/identity"
    assert "Its serial can be read now" not in visit.tablet.get(here).text
    page = inspector.get(here)
    slipped = inspector.send(page, f"{here}/serial", serial="K40718", second_serial="K40719")
    assert slipped.status_code == 409
    assert "The two readings differ" in slipped.text
    assert inspector.send(page, f"{here}/serial", serial="K40718", second_serial="k40718").status_code == 303
    with visit.shop.node.store.reading() as cursor:
        both = [standing_row(cursor, one) for one in (standing.cylinder_id, known)]
    assert [one is not None and one.is_only_held and len(one.linked) for one in both] == [1, 1]
    assert "2 records are this one cylinder" in inspector.get(here).text
