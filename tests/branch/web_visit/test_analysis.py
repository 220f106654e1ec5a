"""The analysis by its screens, the diver's signature, and a hand-over that waits for both."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from pathlib import Path
from uuid import UUID

import httpx
import pytest
from tests.branch.a_shop import MARKS
from tests.branch.web_floor.conftest import Tablet, a_tablet
from tests.branch.web_visit.conftest import AtVisit, question

from branch.label import short_code
from branch.web.pages.steps_analyse import minutes_since
from cylinder import commands as c
from cylinder.marks import GasWanted

NITROX = GasWanted(oxygen_percent=32)
TRIMIX = GasWanted(oxygen_percent=18, helium_percent=45)
ANALYSER = {"analyser": "Cell 2", "calibrated": "11:20", "calibrated_in": "air"}
STROKE = "100,200 140,260 180,190 230,250 280,180 330,240 380,170 430,230;500,200 520,210"


def a_mix(tablet: Tablet, gas: GasWanted = NITROX, *, tag: int = 5, step: str = "analyse") -> AtVisit:
    """A cylinder with this mix, up to a step. The test's clock stands at 09:30 UTC."""
    got = tablet.shop.do(
        c.Greet, diver_ref="diver-0001", level="Advanced", covers_nitrox=True, covers_trimix=True,
        cylinders=(c.Taken(tag=tag, gas=gas),),
    )  # fmt: skip
    visit = AtVisit(tablet, got.visit_ids[0])
    marks = MARKS.model_copy(update={"serial": f"K4071{tag}"})
    tablet.shop.up_to(step, visit_id=visit.id, marks=marks)
    return visit


def screens(visit: AtVisit, first: dict[str, str], second: dict[str, str], **analyser: str) -> httpx.Response:
    """The three screens, one after the other; the answer to the last, or to the first that was refused."""
    where = f"{visit.here}/analyse"
    shown = visit.tablet.send(
        visit.look(),
        where,
        **{"calibrated": "09:20", "analyser": "Cell 2", "calibrated_in": "air", **analyser},
    )
    if "what does the analyser show" not in question(shown):
        return shown
    shown = visit.tablet.send(shown, where, **first)
    if "Read it again" not in question(shown):
        return shown
    return visit.tablet.send(shown, where, with_diver="yes", **second)


def test_two_readings_on_two_screens_are_the_analysis_and_the_first_is_not_shown(tablet: Tablet) -> None:
    visit = a_mix(tablet)
    where = f"{visit.here}/analyse"
    first = tablet.send(visit.look(), where, **{**ANALYSER, "calibrated": "09:20"})
    # 33·(1.4/0.32 − 1) = 111.375 ft and 10·(1.4/0.32 − 1) = 33.75 m (29 CFR 1910 Subpart T App. C; NOAA 1.4 ATA).
    assert "33 m or 111 ft of sea water at 1.4 ATA oxygen (estimate, rounded down)" in first.text
    second = tablet.send(first, where, oxygen="31.6")
    visible = second.text.replace('name="oxygen" value="31.6"', "")
    assert "31.6" not in visible
    done = tablet.send(second, where, oxygen_again="31,9", with_diver="yes")
    assert done.status_code == 303
    analysed = visit.shop.visit(visit.id).analysed
    assert analysed is not None
    assert analysed.oxygen_percent == 31.9


def test_the_next_cylinder_starts_with_the_analyser_that_was_used_last(tablet: Tablet) -> None:
    first = a_mix(tablet)
    assert screens(first, {"oxygen": "32"}, {"oxygen_again": "32"}).status_code == 303
    tablet.shop.answer(first.id, "bleed")
    page = a_mix(tablet, tag=6).look().text
    assert 'value="Cell 2"' in page
    assert 'value="09:20"' in page


def test_an_analyser_that_does_not_count_is_refused_before_anything_is_read(tablet: Tablet) -> None:
    visit = a_mix(tablet)
    for analyser, words in (
        ({"calibrated": "09:40"}, "A calibration cannot lie ahead of now"),
        ({"calibrated": "23:00"}, "Calibrated 10 h ago, and after 8 h it no longer counts"),
        ({"calibrated": "soon"}, "Say when the analyser was calibrated"),
        ({"calibrated_in": ""}, "whether in air or in oxygen"),
        ({"analyser": ""}, "Say which analyser it was"),
    ):
        shown = screens(visit, {}, {}, **analyser)
        assert shown.status_code in (409, 422)
        assert words in shown.text
        assert question(shown) == "Which analyser, and when was it calibrated?"


def test_what_is_no_reading_is_refused_in_words(tablet: Tablet) -> None:
    visit = a_mix(tablet)
    for oxygen, words in (
        ("thirty", "valid number"),
        ("", "valid number"),
        ("320", "less than or equal to 100"),
        ("0", "shows no oxygen"),
        ("nan", "finite number"),
    ):
        shown = screens(visit, {"oxygen": oxygen}, {})
        assert shown.status_code in (409, 422)
        assert words in shown.text


def test_21_oxygen_with_90_helium_is_refused_at_the_first_reading(tablet: Tablet) -> None:
    visit = a_mix(tablet, TRIMIX)
    shown = screens(visit, {"oxygen": "21", "helium": "90"}, {})
    assert "Oxygen and helium together are more than 100 %" in shown.text
    missing = screens(visit, {"oxygen": "18"}, {})
    assert "Helium: this should be a valid number" in missing.text


def test_readings_that_do_not_agree_are_read_again_and_held_after_three(tablet: Tablet) -> None:
    visit = a_mix(tablet)
    for n in (1, 2):
        assert screens(visit, {"oxygen": "32"}, {"oxygen_again": "35"}).status_code == 303
        assert f"{n} of 3 pairs before it is held" in visit.look().text
    screens(visit, {"oxygen": "32"}, {"oxygen_again": "35"})
    held = visit.look().text
    assert "3 pairs of readings did not agree" in held
    assert "Hand the tablet to an inspector or a manager" in held


def test_off_by_3_percent_is_taken_as_what_it_reads_by_somebody_qualified(tablet: Tablet) -> None:
    visit = a_mix(tablet)
    screens(visit, {"oxygen": "35"}, {"oxygen_again": "35.2"})
    held = visit.look()
    assert "35.2 % oxygen measured, Nitrox 32 asked for" in held.text
    assert "Only an inspector, a manager or somebody trained to mix gas" in held.text
    refused = visit.tablet.send(held, f"{visit.here}/stop", do="take", finding="They take it")
    assert "Only an inspector, a manager" in refused.text
    manager = AtVisit(a_tablet(tablet.shop, role="manager"), visit.id)
    done = manager.tablet.send(manager.look(), f"{visit.here}/stop", do="take", finding="Told: 29 m at 1.4")
    assert done.status_code == 303
    tablet.shop.up_to("hand_over", visit_id=visit.id)
    assert "5 · FULL · Nitrox 35.2" in visit.look().text


def signed_by(visit: AtVisit, **written: str) -> httpx.Response:
    return visit.tablet.send(visit.look("/sign"), f"{visit.here}/sign", **written)


def test_the_diver_reads_depths_and_pressures_before_signing(tablet: Tablet) -> None:
    visit = a_mix(tablet, step="hand_over")
    assert "The diver reads and signs" in visit.look().text
    page = visit.look("/sign").text
    # 10·(1.4/0.32 − 1) = 33.75, 33·(…) = 111.4; at 1.6: 40.0 and 132.0; EAD (0.68·43/0.79 − 10) = 27.01 → 28, (0.68·144/0.79 − 33) = 90.9.
    for words in (
        "33 m, 111 ft",
        "40 m, 132 ft",
        "28 m, 91 ft",
        "3000 psi (207 bar)",
        "Deepest (MOD) at 1.4 atm of oxygen",
    ):
        assert words in page


def test_a_signature_stays_at_the_shop_and_the_fact_carries_a_hash(tablet: Tablet, tmp_path: Path) -> None:
    visit = a_mix(tablet, step="hand_over")
    assert signed_by(visit, read="yes", stroke=STROKE).status_code == 303
    signed = tablet.shop.visit(visit.id).signed
    assert signed is not None
    assert signed.how == "drawn"
    (kept,) = tmp_path.rglob(f"{visit.id}.*.json")
    assert json.loads(kept.read_text())["mark"] == STROKE
    assert hashlib.sha256(kept.read_bytes()).hexdigest() == signed.mark_sha256
    assert STROKE not in signed.model_dump_json()
    assert kept.stat().st_mode & 0o077 == 0


def test_the_same_tap_twice_is_one_signature(tablet: Tablet, tmp_path: Path) -> None:
    visit = a_mix(tablet, step="hand_over")
    page = visit.look("/sign")
    for _ in range(2):
        assert tablet.send(page, f"{visit.here}/sign", read="yes", initials="M. L.").status_code == 303
    assert len(list(tmp_path.rglob(f"{visit.id}.*.json"))) == 1


def test_what_is_no_signature_is_refused_and_not_kept(tablet: Tablet, tmp_path: Path) -> None:
    visit = a_mix(tablet, step="hand_over")
    refusals: tuple[tuple[dict[str, str], str], ...] = (
        ({"read": "yes"}, "two letters at least"),
        ({"read": "yes", "initials": "1"}, "two letters at least"),
        ({"read": "yes", "stroke": "1,1 2,2"}, "Nothing was written"),
        ({"read": "yes", "stroke": "<script>"}, "Nothing was written"),
        ({"initials": "ML"}, "read the figures themselves"),
        ({"read": "yes", "initials": "ML", "oxygen": "28"}, "Other figures were measured"),
    )
    for written, words in refusals:
        refused = signed_by(visit, **written)
        assert refused.status_code in (409, 422)
        assert words in refused.text
    assert list(tmp_path.rglob(f"{visit.id}.*.json")) == []


def test_nothing_is_signed_where_nothing_is_measured_or_all_is_signed(tablet: Tablet) -> None:
    visit = a_mix(tablet)
    assert visit.look("/sign").status_code == 303
    tablet.shop.up_to("hand_over", visit_id=visit.id, marks=MARKS)
    signed_by(visit, read="yes", initials="ML")
    assert visit.look("/sign").status_code == 303


def hand_over(tablet: Tablet, *visits: UUID) -> httpx.Response:
    page = tablet.get("/hand-over?diver=diver-0001")
    return tablet.send(page, "/hand-over", visit=[str(one) for one in visits])


def test_of_several_cylinders_one_unsigned_stays_here_and_says_why(tablet: Tablet) -> None:
    air = tablet.shop.up_to("hand_over", marks=MARKS.model_copy(update={"serial": "K40799"}))
    visit = a_mix(tablet, step="set_down")
    tablet.shop.do(c.SetDownAt, visit_id=visit.id, slot=4)
    page = tablet.get("/hand-over?diver=diver-0001").text
    assert "Tag 5: the diver has not signed for its mix" in page
    assert f'href="{visit.here}/sign"' in page
    refused = hand_over(tablet, air, visit.id)
    assert (refused.status_code, tablet.shop.visit(air).is_open) == (409, True)
    assert "Tag 5: the diver has not read and signed the analysis" in refused.text
    keyed = tablet.send(tablet.get("/hand-over?diver=diver-0001"), "/hand-over", tags="5")
    assert "has not read and signed" in keyed.text
    signed_by(visit, read="yes", initials="ML")
    assert hand_over(tablet, air, visit.id).status_code == 303


def test_a_program_signs_only_where_the_stroke_is_kept(tablet: Tablet, tmp_path: Path) -> None:
    visit = a_mix(tablet, step="hand_over")
    asked: dict[str, object] = {
        "key": "0d4a1f0e-6f0b-4f58-8c0e-3f6f2f1f7a11",
        "oxygen_percent": 32.0,
        "how": "initials",
    }
    bare = {"command": "sign_contents", "visit_id": str(visit.id), "mark_sha256": "0" * 64, **asked}
    assert tablet.client.post("/api/commands", json=bare).status_code == 409
    done = tablet.client.post(f"/api/visits/{visit.id}/signature", json={**asked, "mark": "M L"})
    assert done.status_code == 200
    assert len(list(tmp_path.rglob(f"{visit.id}.*.json"))) == 1


@pytest.mark.parametrize(
    ("keyed", "minutes"),
    [("09:20", 10), ("9.20", 10), ("0920", 10), ("09:31", -1), ("23:30", 600), ("25:00", None), ("", None)],
)
def test_a_time_of_the_clock_is_so_many_minutes_ago(keyed: str, minutes: int | None) -> None:
    assert minutes_since(keyed, dt.datetime(2026, 6, 15, 9, 30, 20, tzinfo=dt.UTC)) == minutes


def test_the_label_is_a_page_a_picture_and_a_pdf_and_a_hold_takes_them_away(tablet: Tablet) -> None:
    visit = a_mix(tablet)
    assert "is not analysed, so nothing is known" in visit.look("/label").text
    tablet.shop.up_to("hand_over", visit_id=visit.id, marks=MARKS)
    assert "MOD 33 m, 111 ft at 1.4 atm" in visit.look("/label").text
    assert visit.look("/label.png").content.startswith(b"\x89PNG")
    assert visit.look("/label.pdf").content.startswith(b"%PDF")
    facts = tablet.facts()
    visit.look("/label.pdf")
    assert tablet.facts() == facts
    code = short_code(visit.shop.visit(visit.id).cylinder_id or UUID(int=0))
    assert (
        tablet.get(f"/c/{code}").headers["location"] == f"/cylinders/{visit.shop.visit(visit.id).cylinder_id}"
    )
    assert "of no label of ours" in tablet.get("/c/nothing").text
    tablet.shop.do(c.HoldIt, visit_id=visit.id, why="Smells of oil")
    assert visit.look("/label.pdf").status_code == 409
