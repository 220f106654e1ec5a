"""Nothing is guessed in silence: a century, a misread sign and a contradiction are said, with what else it may be."""

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cylinder.stamps import DateMark, Reading, canonical, read_stamps
from gas.pressure import Pressure
from rulebook import YearMonth

TODAY = date(2026, 11, 25)
FAST = settings(max_examples=200, deadline=None)

WHOLE = "DOT-3AL3000 P44120 QM 11-04 6 A123 24"
LOOK_ALIKES = [("O", "0"), ("I", "1"), ("S", "5"), ("B", "8"), ("Z", "2")]


def read(typed: str, today: date = TODAY) -> Reading:
    return read_stamps(typed, today=today)


def the_remark(reading: Reading, code: str) -> tuple[str, tuple[str, ...]]:
    found = next(one for one in reading.remarks if one.code == code)
    return reading.text[found.start : found.end], found.alternatives


def test_a_whole_and_clear_shoulder_fills_the_form() -> None:
    reading = read(WHOLE)
    assert (reading.confidence, reading.missing) == ("clear", ())
    assert (reading.spec, reading.rated) == ("DOT-3AL", Pressure(3000, "psi"))
    latest = reading.latest_requalification
    assert latest is not None
    assert latest.month == YearMonth(2024, 6)


def test_a_steel_cylinder_of_the_sixties_with_a_plus_is_read_whole() -> None:
    reading = read("icc-3aa2250 k4471 qz 5-62+ 6-67+ 9 a1/32 21+")
    latest = reading.latest_requalification
    assert (reading.confidence, reading.spec, reading.rated) == ("clear", "ICC-3AA", Pressure(2250, "psi"))
    assert latest == DateMark(YearMonth(2021, 9), "A123", ("+",))


def test_an_aluminium_cylinder_with_dual_marks_is_rated_by_the_lower_of_the_two() -> None:
    reading = read("TC-3ALM207/DOT-3AL3000 P5566 QM 8-99 6 B4/65 22 VE")
    latest = reading.latest_requalification
    assert (reading.confidence, reading.spec) == ("clear", "TC-3ALM/DOT-3AL")
    assert reading.rated == Pressure(3000, "psi")
    assert latest == DateMark(YearMonth(2022, 6), "B456", ("VE",))


def test_a_un_cylinder_of_232_bar_is_read_whole() -> None:
    reading = read("UN ISO 9809-1 USA/M0001 2014/06 PW232 PH348BAR 12,0L 25E 90114 QQ 24/05")
    latest = reading.latest_requalification
    assert (reading.confidence, reading.spec, reading.rated) == ("clear", "ISO 9809-1", Pressure(232, "bar"))
    assert latest == DateMark(YearMonth(2024, 5))


def test_a_look_inside_is_never_taken_for_the_test_however_its_v_stands() -> None:
    # A British mark, second-hand: V behind the date is a visual inspection alone.
    for typed in ("24/05V", "24/05 V", "24/05, v"):
        reading = read(f"UN ISO 9809-1 USA/M0001 2014/06 PW232 PH348BAR 90114 QQ {typed}")
        assert reading.stamps.requalifications == (DateMark(YearMonth(2024, 5), "", ("V",)),)
        latest = reading.latest_requalification
        assert latest is None or latest.month == YearMonth(2014, 6)


def test_an_only_date_says_that_it_is_read_as_the_first_test() -> None:
    reading = read("DOT-3AL3000 P44120 QM 6-24")
    assert the_remark(reading, "date.alone") == ("6-24", ())


@pytest.mark.parametrize("typed", ["XX", "3XLX00X", "DOT-3AL3000 XX P44120"])
def test_two_xs_or_xs_among_other_signs_are_asked_about(typed: str) -> None:
    reading = read(typed)
    assert not reading.is_condemned
    assert not reading.is_sure_of("condemned")


@pytest.mark.parametrize(("letter", "digit"), LOOK_ALIKES)
@pytest.mark.parametrize("place", [0, 1, 2, 3])
def test_a_letter_among_the_digits_of_a_pressure_is_said_at_its_place(
    letter: str, digit: str, place: int
) -> None:
    stamped = "2250"[:place] + digit + "2250"[place + 1 :]
    typed = "DOT-3AA" + stamped[:place] + letter + stamped[place + 1 :]
    reading = read(typed)

    pointed_at = [(one.start, one.alternatives) for one in reading.remarks if one.code == "sign.misread"]
    assert not reading.is_sure_of("pressure") or not reading.is_sure_of("specification")
    assert reading.rated is None
    if canonical(reading) == f"DOT-3AA{stamped}":
        assert pointed_at == [(7 + place, (digit,))]


@pytest.mark.parametrize(("letter", "digit"), LOOK_ALIKES)
def test_a_letter_among_the_digits_of_a_date_is_said_at_its_place(letter: str, digit: str) -> None:
    reading = read(
        f"DOT-3AL3000 P44120 QM 1{letter}-04" if digit in "012" else f"DOT-3AL3000 P44120 QM 4-9{letter}"
    )
    assert the_remark(reading, "sign.misread") == (letter, (digit,))
    assert reading.latest_requalification is None


def test_a_misread_letter_of_the_specification_is_said() -> None:
    assert the_remark(read("DOT-3A13000"), "sign.misread") == ("1", ("L",))


def test_where_two_specifications_fit_the_other_is_said() -> None:
    assert the_remark(read("DOT-3AL800"), "specification.ambiguous") == ("3AL800", ("3A 1800",))


@FAST
@given(st.integers(0, 99), st.integers(1, 12))
def test_two_digits_of_a_year_never_choose_a_century_in_silence(year: int, month: int) -> None:
    """Of the years that can be, the latest is taken; another one that can be is among the alternatives."""
    reading = read(f"ICC-3AA2250 K4471 QZ {month}-{year:02d}")
    could_be = [YearMonth(one, month) for one in (1900 + year, 2000 + year) if one <= TODAY.year]
    made = reading.stamps.made
    assert made is not None
    assert made.month == max(could_be)
    others = {str(one) for one in could_be} - {str(made.month)}
    said = {other for remark in reading.remarks for other in remark.alternatives}
    assert others <= said
    assert not others or reading.confidence != "clear"


@FAST
@given(st.dates(date(1968, 1, 1), date(2099, 12, 31)), st.dates(date(1968, 1, 1), date(2099, 12, 31)))
def test_a_date_is_never_taken_from_the_future_without_being_refused(stamped: date, today: date) -> None:
    reading = read(f"DOT-3AL3000 P44120 QM {stamped.month}-{stamped.year}", today)
    is_to_come = (stamped.year, stamped.month) > (today.year, today.month)
    assert ("date.to_come" in [one.code for one in reading.remarks]) == is_to_come
    assert (reading.latest_requalification is None) == is_to_come


@FAST
@given(st.integers(1968, 2026), st.integers(1, 12), st.integers(1968, 2026), st.integers(1, 12))
def test_a_test_before_the_manufacture_is_refused(made: int, month: int, tested: int, in_month: int) -> None:
    reading = read(f"DOT-3AA2400 P44120 QM {month}-{made} {in_month} A123 {tested}", date(2026, 12, 31))
    is_before = (tested, in_month) < (made, month)
    assert ("date.before_made" in [one.code for one in reading.remarks]) == is_before


@FAST
@given(st.integers(100, 330), st.integers(100, 600))
def test_working_pressure_above_two_thirds_is_always_said(working: int, test: int) -> None:
    # 49 CFR 173.302b(b), 2015 edition.
    reading = read(f"UN ISO 9809-1 PW{working} PH{test}")
    said = [one for one in reading.remarks if one.code == "working.above_two_thirds"]
    assert bool(said) == (3 * working > 2 * test)
    if working > 2 * test / 3 + 0.5:
        assert [one.bearing for one in said] == ["refuse"]


@FAST
@given(
    st.sampled_from(["DOT", "ICC", "CTC"]),
    st.sampled_from(["3A", "3AA", "3AL", "3AX", "3T"]),
    st.integers(1451, 4780),
)
def test_every_mark_in_psi_is_read_as_stamped_however_it_is_parted(
    authority: str, spec: str, psi: int
) -> None:
    for typed in (
        f"{authority}-{spec}{psi}",
        f"{authority} {spec} {psi}",
        f"{authority.lower()}{spec.lower()}-{psi} psi",
    ):
        mark = read(typed).stamps.specifications[0]
        assert (mark.authorities, mark.spec, mark.pressure) == ((authority,), spec, Pressure(psi, "psi"))


@pytest.mark.parametrize("first", [" ", "\n\t", "☺☺ "])
def test_a_remark_points_into_the_text_as_it_was_typed(first: str) -> None:
    reading = read(f"{first}dot-3al3o00")
    assert the_remark(reading, "sign.misread") == ("o", ("0",))


def test_a_sign_that_becomes_two_is_pointed_at_as_one() -> None:
    # One typed sign, two letters: the places behind it must not move.
    reading = read("ﬀ DOT-3AL3O00")
    assert the_remark(reading, "sign.misread") == ("O", ("0",))


def test_condemned_blocks_whatever_stands_around_it() -> None:
    for typed in (
        f"{WHOLE} CONDEMNED",
        f"C0NDEMNED {WHOLE}",
        f"XXXX {WHOLE}",
        "not condemned",
        f"{WHOLE}\nX X X",
    ):
        reading = read(typed)
        assert reading.is_condemned
        assert reading.confidence == "contradictory"


def test_a_german_date_that_lies_ahead_is_not_taken_for_a_test() -> None:
    # Germany stamps until when a test holds (open encyclopedia, "Diving cylinder").
    reading = read("UN ISO 9809-1 2019/06 PW232 PH348 90114 QQ 2029/06")
    remark = next(one for one in reading.remarks if one.code == "date.to_come")
    assert "Germany" in remark.words
    assert reading.latest_requalification is None


def test_a_number_of_thirteen_digits_is_no_serial() -> None:
    reading = read("DOT-3AL3000 4006381333931 QM 11-04")
    assert reading.stamps.serial == ""
    assert the_remark(reading, "number.nonsense")[0] == "4006381333931"


def test_two_that_may_be_the_serial_are_both_said() -> None:
    reading = read("DOT-3AL3000 P44120 R55130 QM 11-04")
    assert not reading.is_sure_of("serial")
    assert the_remark(reading, "serial.other") == ("R55130", ("serial R55130",))
