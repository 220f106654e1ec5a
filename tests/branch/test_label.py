"""The contents label: its exact size, what it says, what its code leads to, and when there is none."""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import replace
from functools import lru_cache
from io import BytesIO
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
import zxingcpp
from fontTools.ttLib import TTFont
from PIL import Image
from pypdf import PageObject, PdfReader

from branch.label import Label, Words, cylinder_of_code, label_of, marks, short_code
from branch.label_faces import face_path
from branch.label_pdf import pdf
from branch.label_png import png
from branch.settings import ShopSettings
from cylinder.facts import FillCompleted, GasAnalysed, MixTakenAsMeasured
from cylinder.marks import GasWanted, KeyedPressure, Marks
from cylinder.refusal import Refused
from cylinder.visit import Visit

ID = UUID("0d4a1f0e-6f0b-4f58-8c0e-3f6f2f1f7a11")
AT = dt.datetime(2026, 6, 15, 9, 30, tzinfo=dt.UTC)
RATED = KeyedPressure(value=3000, unit="psi")


def filled(gas: GasWanted, oxygen: float | None = None, helium: float = 0.0) -> Visit:
    """A visit with a fill, and an analysis where there is one."""
    return Visit(
        id=ID,
        tag=14,
        gas=gas,
        cylinder_id=ID,
        marks=Marks(serial="B0471-8Q", maker="ZQ", spec="3AL", first_test="2021-07"),
        completed=FillCompleted(
            visit_id=ID,
            end=RATED,
            start=KeyedPressure(value=500, unit="psi"),
            target=RATED,
            rated=RATED,
            gas=gas,
        ),
        completed_at=AT,
        analysed=GasAnalysed(visit_id=ID, oxygen_percent=oxygen, helium_percent=helium) if oxygen else None,
        analysed_at=AT if oxygen else None,
    )


NITROX = filled(GasWanted(oxygen_percent=32), 31.8)
TRIMIX = filled(GasWanted(oxygen_percent=18, helium_percent=45), 18.2, 44.6)
AIR = filled(GasWanted())


def the_label(visit: Visit, address: str = "") -> Label:
    return label_of(visit, analyst="O. Person", shop="Pier", tz=ZoneInfo("UTC"), address=address)


@lru_cache(maxsize=8)
def page_of(label: Label) -> PageObject:
    (page,) = PdfReader(BytesIO(pdf(label, AT))).pages
    return page


def printed(label: Label) -> str:
    return page_of(label).extract_text()


@pytest.mark.parametrize("visit", [NITROX, TRIMIX, AIR])
def test_the_page_measures_62_by_40_millimetres(visit: Visit) -> None:
    page = page_of(the_label(visit))
    wide, high = (float(side) / 72 * 25.4 for side in (page.mediabox.width, page.mediabox.height))
    assert wide == pytest.approx(62, abs=0.01)
    assert high == pytest.approx(40, abs=0.01)


def test_the_picture_is_black_and_white_at_300_dots_to_the_inch() -> None:
    picture = Image.open(BytesIO(png(the_label(NITROX))))
    # 62 mm / 25.4 · 300 = 732.3; 40 mm / 25.4 · 300 = 472.4.
    assert (picture.size, picture.mode) == ((732, 472), "1")
    assert [round(side) for side in picture.info["dpi"]] == [300, 300]
    colours = picture.convert("L").getcolors()
    assert colours is not None
    assert {colour for _, colour in colours} == {0, 255}


def test_nitrox_says_its_mix_both_depths_pressure_date_and_analyst() -> None:
    words = printed(the_label(NITROX))
    # 10·(1.4/0.318 − 1) = 34.03 and 33·(…) = 112.3; at 1.6: 40.3 and 133.0 (29 CFR 1910 subpart T App. C; NOAA).
    for said in ("CONTENTS MEASURED", "NITROX", "31.8 %", "MOD 34 m, 112 ft at 1.4 atm", "MOD 40 m, 133 ft at 1.6 atm",
                 "3000 psi, 207 bar", "15 Jun 2026 09:30, O. Person, Pier", "Tag 14", "B0471-8Q"):  # fmt: skip
        assert said in words


def test_trimix_says_oxygen_and_helium() -> None:
    words = printed(the_label(TRIMIX))
    assert "TRIMIX" in words
    assert "18.2/44.6" in words


def test_air_says_air_and_that_nobody_measured_it() -> None:
    words = printed(the_label(AIR))
    assert "AIR" in words
    assert "FILLED, NOT ANALYSED" in words
    assert "MOD" not in words
    assert "O. Person" not in words


def test_the_code_leads_to_the_cylinder_or_holds_the_words_where_there_is_no_address() -> None:
    for address, said in (
        ("https://fill.example", f"https://fill.example/c/{short_code(ID)}"),
        ("", "B0471-8Q NITROX 31.8 %"),
    ):
        (code,) = zxingcpp.read_barcodes(Image.open(BytesIO(png(the_label(NITROX, address)))).convert("L"))
        assert code.format == zxingcpp.BarcodeFormat.QRCode
        assert code.text.startswith(said)


def test_the_short_code_is_the_cylinders_id_and_nothing_else_is() -> None:
    assert cylinder_of_code(short_code(ID)) == ID
    for odd in ("", "a", "11111111", "ä" * 26, short_code(ID) + "aaaaaaaa"):
        assert cylinder_of_code(odd) is None


def test_the_same_facts_print_the_same_label() -> None:
    first, again = (
        hashlib.sha256(pdf(the_label(NITROX), AT) + png(the_label(NITROX))).hexdigest() for _ in range(2)
    )
    assert first == again


def test_a_long_shop_and_serial_stay_on_the_label() -> None:
    long = replace(the_label(NITROX), made="15 Jun 2026 09:30, " + "Somebody Long, " * 6, serial="W" * 32)
    picture = Image.open(BytesIO(png(long))).convert("L")
    edge = picture.crop((728, 0, 732, 472)).getcolors()
    assert edge is not None
    assert [colour for _, colour in edge] == [255]


def test_only_serials_wear_a_slashed_zero() -> None:
    faces = {
        mark.face for mark in marks(the_label(NITROX)) if isinstance(mark, Words) and mark.words != "B0471-8Q"
    }
    assert "stamp" not in faces
    with TTFont(face_path("stamp")) as font:
        assert font.getBestCmap()[ord("0")] == "zero.alt01"


def test_nothing_unmeasured_off_or_gone_gets_a_label() -> None:
    nitrox = GasWanted(oxygen_percent=32)
    off = filled(nitrox, 36.0)
    for visit, rule in (
        (filled(nitrox), "label.not-analysed"),
        (off, "label.off"),
        (replace(NITROX, completed=None), "label.not-filled"),
        (replace(NITROX, abandoned=object()), "label.left"),  # type: ignore[arg-type]  # any end of a visit
    ):
        with pytest.raises(Refused) as refused:
            the_label(visit)
        assert rule in {reason.rule_id for reason in refused.value.reasons}
    taken = MixTakenAsMeasured(visit_id=ID, oxygen_percent=36.0, wanted=nitrox, finding="Told")
    assert the_label(replace(off, taken=taken)).figure == "36 %"


def test_an_address_that_is_none_is_refused_in_the_settings() -> None:
    told = {"node": "pier", "name": "Pier", "hub_url": "http://h", "hub_node": "hub", "hub_public_key": "k"}
    assert ShopSettings.model_validate(told).label_address == ""
    with pytest.raises(ValueError, match="label_address"):
        ShopSettings.model_validate({**told, "label_address": "javascript:alert(1)"})
