"""What a doubt offers to choose is read before it is offered: it settles the doubt, and never wipes out a contradiction."""

from __future__ import annotations

from datetime import date

import pytest

from cylinder.stamps import read_stamps
from cylinder.stamps.instead import MOST_CHOICES, choices

TODAY = date(2026, 6, 15)


@pytest.mark.parametrize(
    ("text", "label", "chosen"),
    [
        ("DOT3AA24O0 A12345 XY 6-78", "0", "DOT3AA2400 A12345 XY 6-78"),
        ("dot-3al3000 K40718 ZQ 7 21", "first test 2021-07", "dot-3al3000 K40718 ZQ MADE 2021-07"),
        (
            "DOT-3AL3000 A-1234 ZQ 7-21",
            "serial 1234 of maker A",
            "DOT-3AL3000 SN:1234 MFR:A ZQ 7-21",
        ),
    ],
)
def test_a_choice_is_the_whole_text_with_the_doubt_settled(text: str, label: str, chosen: str) -> None:
    offered = {one.label: one.text for one in choices(read_stamps(text, today=TODAY), TODAY)}
    assert offered[label] == chosen


@pytest.mark.parametrize(
    "text",
    [
        "TC-3ALM200/DOT-3AL3000 K40718 ZQ 7-21",
        "CONDEMNED DOT-3AL3000 K40718 ZQ 7-21",
        "XX DOT-3AL3000 K40718 ZQ 7-21",
    ],
)
def test_no_tap_wipes_out_a_mark_that_speaks_against_it(text: str) -> None:
    before = read_stamps(text, today=TODAY)
    for one in choices(before, TODAY):
        after = read_stamps(one.text, today=TODAY)
        assert after.is_condemned == before.is_condemned
        assert {(mark.code, mark.bearing) for mark in before.remarks if mark.bearing == "refuse"} <= {
            (mark.code, mark.bearing) for mark in after.remarks
        }


@pytest.mark.parametrize("text", ["", "~" * 400, "7 21 " * 60, "SN A SN B SN C MFR 1 MFR 2", "O0" * 150])
def test_any_text_offers_a_bounded_number_of_choices(text: str) -> None:
    assert len(choices(read_stamps(text, today=TODAY), TODAY)) <= MOST_CHOICES
