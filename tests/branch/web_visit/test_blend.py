"""A blend by its pages: the sheet, the shop's gases, one measured step a screen, the API; and what gets words instead of a plan."""

from __future__ import annotations

import datetime as dt
import uuid
from urllib.parse import urlencode

import pytest
from tests.branch.a_shop import DIVER, Shop
from tests.branch.web_floor.conftest import PageForm, Tablet, a_tablet, forms
from tests.branch.web_visit.conftest import AtVisit, question

from cylinder import commands as c
from cylinder.gases import GasOnHand
from cylinder.marks import GasWanted, KeyedPressure

GASES = (
    GasOnHand(
        name="Oxygen bank", oxygen_percent=100, pressure=KeyedPressure(value=180, unit="bar"), price_per_m3=8
    ),
    GasOnHand(name="Compressor", oxygen_percent=20.9),
)
SHEET = {
    "ask": "yes", "unit": "bar", "degrees": "c", "read": "100", "cylinder_c": "20", "measured": "yes", "oxygen": "36", "helium": "0",
    "rated": "207", "volume": "11.1", "spec": "3AL", "valve": "yoke", "clean": "yes", "wish_oxygen": "32",
    "wish_helium": "0", "end": "207", "step_c": "20", "method": "partial pressure",
}  # fmt: skip
ASKED = {
    "measured": "yes", "oxygen": "36", "helium": "0", "degrees": "c", "cylinder_c": "20", "step_c": "20", "end": "3000", "unit": "psi",
    "volume": "11.1", "valve": "yoke", "method": "partial pressure",
}  # fmt: skip
TICKED = ["Oxygen bank", "Compressor"]


@pytest.fixture
def blender(tablet: Tablet) -> Tablet:
    """A tablet with a trained blender signed in, at a shop with oxygen and air."""
    gases = tablet.shop.node.gases
    gases.keep(GASES)
    gases.set_trained(tablet.shop.actors["operator"].id, dt.date(2027, 1, 1))
    return tablet


def sheet(tablet: Tablet, **more: str) -> tuple[int, str]:
    pairs = [*{**SHEET, **more}.items(), *(("gas", name) for name in TICKED)]
    page = tablet.get("/blend?" + urlencode(pairs))
    return page.status_code, page.text


def a_mix(shop: Shop, gas: GasWanted) -> AtVisit:
    """A cylinder for this gas up to its target: cleaned for oxygen, 1450 psi left."""
    taken = shop.do(
        c.Greet, diver_ref=DIVER, level="Nitrox", covers_nitrox=True, cylinders=(c.Taken(tag=14, gas=gas),)
    )
    visit_id = taken.visit_ids[0]
    shop.up_to("outside", visit_id=visit_id)
    shop.do(
        c.CleanForOxygen, by="inspector", cylinder_id=shop.visit(visit_id).cylinder_id,
        performed_on=shop.node.desk.today(), parts="cylinder and valve", procedure="Degreased, wiped white",
        cleaned_by="R. Amat", until=dt.date(2027, 3, 1),
    )  # fmt: skip
    shop.up_to("residual", visit_id=visit_id)
    shop.do(c.ReadResidual, visit_id=visit_id, residual=KeyedPressure(value=1450, unit="psi"))
    return AtVisit(a_tablet(shop), visit_id)


def fields_of(form: PageForm) -> dict[str, str | list[str]]:
    """What a browser would send of it: a name may come several times."""
    names = dict.fromkeys(name for name, _ in form.fields)
    return {one: [value for name, value in form.fields if name == one] for one in names}


def test_the_sheet_gives_each_gauge_its_temperature_and_the_ideal_one_only_to_compare(
    blender: Tablet,
) -> None:
    held = blender.facts()
    status, page = sheet(blender)
    assert status == 200
    assert page.index("Add <b>Oxygen bank</b>") < page.index("Add <b>Compressor</b>")
    assert "gas at 20 °C (68 °F)" in page
    assert "Only to compare: do not fill by it." in page
    assert "Should analyse as" in page
    assert "give or take" in page
    assert "Oxygen under pressure feeds fire" in page
    assert blender.facts() == held


REFUSED = (
    ({"measured": "no"}, "Analyse it for oxygen and helium"),
    ({"read": "lots"}, "Gauge of the cylinder: this should be a valid number."),
    ({"read": "400", "rated": "400"}, "400 bar in the cylinder cannot be right"),
    ({"wish_oxygen": "21", "wish_helium": "90"}, "more than the whole gas"),
    ({"end": "50"}, "already holds as much"),
    ({"end": "400", "rated": "400"}, "400 bar is more than blends are planned for"),
    ({"wish_oxygen": "18", "wish_helium": "45"}, "No gas on hand brings helium"),
    ({"clean": ""}, "it must be clean for oxygen"),
    ({"end": "240", "rated": "300"}, "above what this valve is made for"),
    ({"step_c": ""}, "Temperature at the steps: this should be a valid number."),
    ({"volume": ""}, "Water capacity: this should be a valid number."),
)


def test_what_cannot_or_must_not_be_blended_gets_words_and_no_plan(blender: Tablet) -> None:
    for more, words in REFUSED:
        status, page = sheet(blender, **more)
        assert (status, words in page, "Add <b>" in page) == (422, True, False), words
        assert 'value="36"' in page  # Nothing that was keyed is lost.


def test_an_empty_cylinder_is_blended_from_what_it_was_measured_to_hold(blender: Tablet) -> None:
    status, page = sheet(blender, read="0", oxygen="20.9")
    assert (status, "Add <b>Oxygen bank</b>" in page) == (200, True)
    assert sheet(blender, volume="11,1", oxygen="36,0")[0] == 200  # A comma is a decimal point.


def test_a_thermometer_may_have_either_scale(blender: Tablet) -> None:
    status, page = sheet(blender, degrees="f", cylinder_c="68", step_c="77")
    assert (status, "gas at 25 °C (77 °F)" in page) == (200, True)
    assert sheet(blender, degrees="c", cylinder_c="68", step_c="177")[0] == 422


def test_who_was_not_trained_to_mix_gets_no_plan(blender: Tablet) -> None:
    manager = a_tablet(blender.shop, role="manager")
    status, page = sheet(manager)
    assert status == 422
    assert "mix training" in page
    operator = blender.shop.actors["operator"].id
    keyed = {f"until_{one.actor.id}": "" for one in blender.shop.node.people.staff()}
    manager.send(manager.get("/blend/gases"), "/blend/people", **keyed)
    assert operator not in blender.shop.node.gases.trained()
    assert sheet(blender)[0] == 422
    wrong = manager.post("/blend/people", {f"until_{operator}": "some day"})
    assert "is no day" in wrong.text


def test_only_a_manager_keeps_the_list_of_gases_and_every_fault_of_it_is_named(blender: Tablet) -> None:
    manager = a_tablet(blender.shop, role="manager")
    page = manager.get("/blend/gases")
    assert 'value="Oxygen bank"' in page.text
    refused = manager.send(
        page, "/blend/gases", name_2="Oxygen bank", oxygen_2="60", helium_2="50", price_1="-1"
    )
    assert refused.status_code == 422
    assert "together are more than 100 %" in refused.text
    assert "Compressor: price" in refused.text
    kept = manager.send(
        page, "/blend/gases", name_2="Banked 32", oxygen_2="32", gauge_2="3300", litre_2="100", unit="psi"
    )
    assert kept.status_code == 303
    assert [gas.name for gas in blender.shop.node.gases.on_hand()] == [
        "Oxygen bank",
        "Compressor",
        "Banked 32",
    ]
    assert "Banked 32" in blender.get("/blend").text
    assert "A manager keeps this list" in blender.get("/blend/gases").text
    assert blender.post("/blend/gases", {"name_0": "Mine"}).status_code == 409
    twice = manager.send(manager.get("/blend/gases"), "/blend/gases", name_3="banked 32", oxygen_3="32")
    assert "same name" in twice.text


def test_a_blend_goes_step_by_step_from_what_was_measured_to_the_analysis(blender: Tablet) -> None:
    at = a_mix(blender.shop, GasWanted(oxygen_percent=32))
    assert f"{at.here}/blend" in at.look().text
    unfit = at.answer("blend", page="/blend", **ASKED, gas=TICKED)
    assert "Nobody has said of this fill" in unfit.text
    said = at.answer("blend_gas_fit", page="/blend", shown_by="Sheet of June", nowhere_else="yes")
    assert said.headers["location"] == f"{at.here}/blend"
    plan = at.answer("blend", page="/blend", **ASKED, gas=TICKED)
    assert question(plan) == "Nitrox 32 to 3000 psi (207 bar): start like this?"
    assert at.step == "target"  # Looking at a plan records nothing.
    again, start = (
        next(one for one in forms(plan) if ("what", what) in one.fields) for what in ("again", "start")
    )
    assert (
        'value="11.1"' in at.tablet.post(again.action, fields_of(again)).text
    )  # Back to the form, as it was keyed.
    assert at.tablet.post(start.action, fields_of(start)).status_code == 303
    assert question(at.look()).startswith("Add Oxygen bank until 157")
    sent = {"key": str(uuid.uuid4()), "reading": {"value": 1600, "unit": "psi"}}
    refused = at.tablet.client.post(f"/api/visits/{at.id}/readings", json=sent)
    assert (refused.status_code, "keyed after each step" in refused.text) == (409, True)
    at.recorded("blend_step", gauge="2600", unit="psi", degrees="f", at_c="70")
    wrong = question(at.look())
    assert wrong.startswith("Bleed slowly down to")
    at.recorded("blend_back")
    at.recorded("blend_step", gauge="1571", unit="psi", degrees="c", at_c="20")
    assert question(at.look()).startswith("Add Compressor until 2")
    nothing = at.answer("blend_step", gauge="1500", unit="psi", degrees="c", at_c="20")
    assert "nothing was added, or it leaks" in nothing.text
    assert 'value="1500"' in nothing.text
    at.recorded("blend_step", gauge="2990", unit="psi", degrees="f", at_c="70")
    assert at.step == "analyse"
    told = at.tablet.get(f"/cylinders/{at.shop.visit(at.id).cylinder_id}").text
    assert "Blend of Nitrox 32 planned, 2 steps left; should be about 32.0% oxygen" in told
    assert "the last figure was keyed wrongly and is taken back" in told


def test_a_blend_that_cannot_go_on_says_what_to_do_and_goes_on_from_an_analysis(blender: Tablet) -> None:
    at = a_mix(blender.shop, GasWanted(oxygen_percent=32))
    at.answer("blend_gas_fit", page="/blend", shown_by="Sheet of June", nowhere_else="yes")
    plan = at.answer("blend", page="/blend", **ASKED, gas=TICKED)
    start = next(one for one in forms(plan) if ("what", "start") in one.fields)
    at.tablet.post(start.action, fields_of(start))
    at.recorded("blend_step", gauge="2990", unit="psi", degrees="c", at_c="20")
    assert question(at.look()) == "Close the valve. This blend cannot go on as it is."
    assert "analyse what is in it" in at.look().text
    unknown = at.answer(
        "blend_anew", page="/blend_anew", gauge="500", unit="psi", degrees="c", at_c="20", measured="no"
    )
    assert "Analyse it for oxygen and helium" in unknown.text
    at.recorded(
        "blend_anew",
        page="/blend_anew",
        gauge="500",
        unit="psi",
        at_c="20",
        measured="yes",
        oxygen="60",
        helium="0",
    )
    assert question(at.look()).startswith(("Add", "Bleed"))


def test_the_program_gets_the_same_plan_and_the_same_refusals(blender: Tablet) -> None:
    asked = {
        "question": {
            "read": {"value": 100, "unit": "bar"}, "cylinder_c": 20, "oxygen_percent": 36, "helium_percent": 0,
            "wish": {"oxygen_percent": 32}, "end": {"value": 207, "unit": "bar"}, "limit": {"value": 207, "unit": "bar"},
            "step_c": 20, "volume_litre": 11.1, "gases": [gas.model_dump() for gas in GASES],
        },
        "spec": "3AL", "valve": "yoke", "is_oxygen_clean": True,
    }  # fmt: skip
    plan = blender.client.post("/api/blend", json=asked)
    assert plan.status_code == 200
    body = plan.json()
    assert [step["gas"] for step in body["steps"]] == ["Oxygen bank", "Compressor"]
    assert body["oxygen_percent"] == pytest.approx(32, abs=0.01)
    assert body["steps"][0]["until"]["value"] == pytest.approx(108.4, abs=3)
    refused = blender.client.post("/api/blend", json={**asked, "is_oxygen_clean": None})
    assert refused.status_code == 409
    assert refused.json()["reasons"][0]["rule_id"] == "us.oxygen.blending"
    bad = blender.client.post("/api/blend", json={**asked, "valve": "tap"})
    assert bad.status_code == 422
    nobody = a_tablet(blender.shop, role=None)
    assert nobody.client.post("/api/blend", json=asked).status_code == 401
