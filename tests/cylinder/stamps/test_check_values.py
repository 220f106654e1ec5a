"""Figures and forms of the law and the trade, each with its source beside it. CFR means the 2015 annual edition."""

from datetime import date

import pytest

from cylinder.stamps import DateMark, Reading, SpecificationMark, canonical, read_stamps
from cylinder.stamps.contradictions import MAY_CARRY_PLUS
from cylinder.stamps.reading import Part, Suffix
from cylinder.stamps.suffixes import MEANING, SOURCE
from gas.pressure import Pressure
from rulebook import YearMonth

TODAY = date(2026, 11, 25)


def read(typed: str, today: date = TODAY) -> Reading:
    return read_stamps(typed, today=today)


def codes(reading: Reading) -> list[str]:
    return [remark.code for remark in reading.remarks if remark.bearing != "tell"]


def test_the_specification_stands_first_and_its_service_pressure_follows_at_once() -> None:
    # 49 CFR 178.35(f)(1).
    mark = read("DOT-3AL3000").stamps.specifications[0]
    assert mark == SpecificationMark(("DOT",), "3AL", Pressure(3000, "psi"))


def test_the_example_of_the_law_is_read_whole() -> None:
    # 49 CFR 178.35(f)(1): "DOT-3A1800-1234-XY AB 5-95".
    reading = read("DOT-3A1800-1234-XY AB 5-95")
    stamps = reading.stamps
    assert stamps.specifications == (SpecificationMark(("DOT",), "3A", Pressure(1800, "psi")),)
    assert (stamps.serial, stamps.maker, stamps.inspector) == ("1234", "XY", "AB")
    assert stamps.made == DateMark(YearMonth(1995, 5))
    assert (reading.confidence, reading.missing, codes(reading)) == ("clear", (), [])


def test_a_metric_mark_of_canada_is_in_bar() -> None:
    # CSA B339, clause 4.17, second-hand: TC-3ALM207 is 207 bar.
    mark = read("TC-3ALM207").stamps.specifications[0]
    assert mark == SpecificationMark(("TC",), "3ALM", Pressure(207, "bar"))


def test_a_mark_of_two_authorities_names_both() -> None:
    # The form is common practice, no source.
    assert read("CTC/DOT-3AL3000").stamps.specifications[0].authorities == ("CTC", "DOT")


@pytest.mark.parametrize(
    ("typed", "spec", "psi"),
    [("DOT-3AL3000", "3AL", 3000), ("DOT-3AA2400", "3AA", 2400), ("DOT-3A1800", "3A", 1800)],
)
def test_the_longest_specification_that_leaves_a_pressure_is_read(typed: str, spec: str, psi: int) -> None:
    # 49 CFR 178.35(f)(1); 180.209 Table 1 has all three.
    assert read(typed).stamps.specifications == (SpecificationMark(("DOT",), spec, Pressure(psi, "psi")),)


@pytest.mark.parametrize("psi", [1800, 2015, 2216, 2250, 2400, 3000, 3180, 3300, 3442, 3500, 4350, 4500])
def test_each_rating_in_use_in_psi_raises_no_question(psi: int) -> None:
    # Ratings in use: stored size charts, second-hand and from memory.
    assert codes(read(f"DOT-3AA{psi}")) == []


@pytest.mark.parametrize("bar", [184, 200, 207, 232, 237, 300])
def test_each_rating_in_use_in_bar_raises_no_question(bar: int) -> None:
    # Open encyclopedia, "Diving cylinder": 184 to 300 bar; the single ratings second-hand.
    assert codes(read(f"TC-3AAM{bar}")) == []


@pytest.mark.parametrize(("bar", "psi"), [(207, 3000), (207, 3002), (232, 3365), (237, 3442), (300, 4350)])
def test_a_rating_rounded_in_each_unit_is_one_rating(bar: int, psi: int) -> None:
    # Computed, 1 bar = 14.5037738 psi: 3000 psi is 206.84 bar, 3442 psi 237.32 bar, 4350 psi 299.92 bar.
    assert codes(read(f"TC-3AAM{bar}/DOT-3AA{psi}")) == []


@pytest.mark.parametrize(("bar", "psi"), [(207, 3300), (232, 3442), (207, 2250), (155, 2400)])
def test_ratings_of_a_dual_mark_that_differ_are_refused(bar: int, psi: int) -> None:
    # Computed, as above; half a per cent of rounding is common practice, no source.
    reading = read(f"TC-3AAM{bar}/DOT-3AA{psi}")
    assert codes(reading) == ["rating.disagree"]
    assert reading.rated is None


def test_psi_in_a_field_of_bar_is_refused_and_the_bar_it_may_be_is_said() -> None:
    # CSA B339, clause 4.17, second-hand; 3000 psi is 206.84 bar, computed.
    reading = read("TC-3ALM3000")
    assert codes(reading) == ["pressure.psi_in_bar"]
    assert reading.remarks[0].alternatives[0] == "207 bar, if 3000 is psi"
    assert reading.rated is None


def test_a_series_of_xs_over_the_mark_is_condemned() -> None:
    # 49 CFR 180.205(i)(2)(i); in 2025 the paragraph is 180.205(j).
    for typed in ("DOT-XXXXX", "DOT-3AL3000 XXXXX", "xxxxx"):
        assert read(typed).stamps.condemned == "OVERSTAMPED"


def test_the_word_condemned_is_a_block_by_itself() -> None:
    # 49 CFR 180.205(i)(2)(i) and 180.203 "Condemn": nothing restores it, and nothing else of it may fill a form.
    reading = read("CONDEMNED DOT-3AL3000 P44120 QM 11-04 6 A123 24")
    assert reading.is_condemned
    assert (reading.rated, reading.latest_requalification) == (None, None)


def test_the_square_is_read_clockwise() -> None:
    # 49 CFR 180.213(d): RIN A123, September 2006.
    for typed in ("9 A1/32 06", "A 1\n9      06\n3 2", "9 A123 06"):
        assert read(typed).stamps.requalifications == (DateMark(YearMonth(2006, 9), "A123"),)


def test_two_more_squares_are_read_clockwise() -> None:
    # 49 CFR 180.213(d), the rule; the numbers are invented.
    assert read("11 B4/65 21 +").stamps.requalifications == (DateMark(YearMonth(2021, 11), "B456", ("+",)),)
    assert read("3 C7/98 20 VE").stamps.requalifications == (DateMark(YearMonth(2020, 3), "C789", ("VE",)),)


def test_a_square_of_three_signs_is_none() -> None:
    # 49 CFR 180.213(d).
    reading = read("9 A1/3 06")
    assert (codes(reading), reading.stamps.requalifications) == (["rin.length"], ())


@pytest.mark.parametrize(
    ("suffix", "means", "clause"),
    [
        ("★", "ten years", "180.213(f)(2)"),
        ("+", "10 %", "180.213(f)(3)"),
        ("S", "proof pressure test", "180.213(f)(4)"),
        ("E", "external visual", "180.213(f)(5)"),
        ("FS", "porous filler", "180.213(f)(7)"),
        ("AE", "acoustic emission", "180.213(f)(8)"),
        ("UE", "ultrasonic", "180.213(f)(8)"),
        ("VE", "eddy current and visual", "180.213(f)(9)"),
    ],
)
def test_each_sign_behind_a_test_is_read_with_its_meaning(suffix: Suffix, means: str, clause: str) -> None:
    # 49 CFR 180.213(f).
    reading = read(f"3 C789 20 {suffix}")
    assert reading.stamps.requalifications == (DateMark(YearMonth(2020, 3), "C789", (suffix,)),)
    assert means in MEANING[suffix]
    assert clause in SOURCE[suffix]
    assert any(remark.source == SOURCE[suffix] for remark in reading.remarks)


def test_an_external_visual_is_no_test_for_scuba() -> None:
    # 49 CFR 180.213(f)(5).
    reading = read("DOT-3AL3000 P44120 QM 11-04 6 A123 20 E")
    assert codes(reading) == ["suffix.no_test"]
    assert reading.latest_requalification is None


def test_the_five_specifications_of_the_law_may_carry_a_plus_and_no_other() -> None:
    # 49 CFR 173.302a(b).
    assert {"3A", "3AX", "3AA", "3AAX", "3T"} == MAY_CARRY_PLUS
    for spec in ("3A", "3AX", "3AA", "3AAX", "3T"):
        assert codes(read(f"DOT-{spec}2400 11 B456 21 +")) == []
    for spec in ("3AL", "3HT", "3E", "3B"):
        assert codes(read(f"DOT-{spec}2400 11 B456 21 +")) == ["plus.not_allowed"]


def test_a_plus_belongs_to_its_test_date() -> None:
    # 49 CFR 173.302a(b)(5).
    lapsed = read("DOT-3AA2250 K4471 QZ 5-72+ 9 A123 21")
    latest = lapsed.latest_requalification
    assert latest is not None
    assert "+" not in latest.suffixes
    assert "plus.lapsed" in [remark.code for remark in lapsed.remarks]
    assert codes(read("DOT-3AA2400+")) == ["plus.place"]


def test_working_pressure_is_at_most_two_thirds_of_test_pressure() -> None:
    # 49 CFR 173.302b(b): PH 348 allows PW 232.
    assert codes(read("UN ISO 9809-1 PW232 PH348")) == []
    too_high = read("UN ISO 9809-1 PW300 PH348")
    assert [(one.code, one.bearing) for one in too_high.remarks] == [("working.above_two_thirds", "refuse")]
    assert too_high.remarks[0].alternatives[0] == "PW at most 232 bar"


def test_a_un_cylinder_of_6351_is_prohibited() -> None:
    # 49 CFR 173.301(l).
    assert codes(read("UN ISO 7866 AA6351 PW200 PH300")) == ["alloy.prohibited"]


def test_the_three_groups_of_a_un_mark_are_read() -> None:
    # 49 CFR 178.71(q) and (r).
    typed = "UN ISO 9809-1 USA/M0000 ⊗ 2019/06 PW232 PH348BAR 12,4KG 5,1MM 12,0L 25E"
    stamps = read(typed).stamps
    assert (stamps.is_un, stamps.standards, stamps.approval) == (True, ("ISO 9809-1",), "USA/M0000")
    assert (stamps.working, stamps.test) == (Pressure(232, "bar"), Pressure(348, "bar"))
    assert (stamps.mass_kg, stamps.wall_mm, stamps.capacity_litre) == (12.4, 5.1, 12.0)
    assert (stamps.thread, stamps.made) == ("25E", DateMark(YearMonth(2019, 6)))


@pytest.mark.parametrize("thread", ["25E", "17E", "18P", "25P", "M25x2", "M18x1.5"])
def test_each_thread_of_a_un_mark_is_read(thread: str) -> None:
    # 49 CFR 178.71(q); the metric ones second-hand.
    assert read(f"UN ISO 9809-1 {thread}").stamps.thread == thread


def test_a_un_date_has_four_digits_of_the_year() -> None:
    # 49 CFR 178.71(q); YY/MM for a periodic inspection is from memory.
    reading = read("UN ISO 9809-1 19/06")
    assert (reading.stamps.made, codes(reading)) == (None, ["un.year"])


@pytest.mark.parametrize("typed", ["13-19", "0-19", "00-06", "2019/13"])
def test_a_month_that_is_none_is_refused(typed: str) -> None:
    # 49 CFR 178.35(f)(1) and 178.71(q): month and year.
    reading = read(typed)
    assert codes(reading) == ["month.impossible"]
    assert reading.stamps.made is None


@pytest.mark.parametrize(
    ("typed", "part"),
    [
        ("DOT-3AL P44120 QM 11-04", "pressure"),
        ("DOT-3AL3000 QM 11-04", "serial"),
        ("DOT-3AL3000 P44120 11-04", "maker"),
        ("DOT-3AL3000 P44120 QM", "made"),
        ("P44120 QM 3000 PSI 11-95", "specification"),
        ("3AL3000 P44120 QM 11-95", "authority"),
        ("UN ISO 9809-1 USA/M0001 2019/06 PW232 90114 QQ", "test pressure"),
        ("UN ISO 9809-1 2019/06 PW232 PH348 90114 QQ", "approval"),
    ],
)
def test_what_the_law_asks_for_and_is_not_there_is_missing(typed: str, part: Part) -> None:
    # 49 CFR 178.35(f)(1) and 178.71(q).
    reading = read(typed)
    assert reading.missing == (part,)
    assert not reading.is_sure_of(part)


def test_a_permits_number_and_pressure_are_read_apart() -> None:
    # The form is from memory; what the permit allows stands in the permit, 49 CFR 180.205(i)(1)(vii).
    for typed in ("DOT-E 9999 3500", "DOT-E9999-3500"):
        assert canonical(read(typed)) == "DOT-E 9999-3500"
    assert canonical(read("DOT-SP99999-3442")) == "DOT-SP 99999-3442"
