"""A specification is known however it is typed, and never guessed."""

from importlib import resources

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rulebook import load, read_pack, spec_known, spec_list

US = load("us")


@pytest.mark.parametrize(
    ("typed", "key"),
    [
        ("dot 3al", "3AL"),
        ("3-AL", "3AL"),
        ("3al", "3AL"),
        ("  DOT - 3 A L ", "3AL"),
        ("３ＡＬ", "3AL"),
        ("DOT-3AL3000", "3AL"),
        ("DOT-3AA2400", "3AA"),  # not a 3A of A2400
        ("DOT-3A1800", "3A"),  # the example of 49 CFR 178.35(f)(1), 2015 edition
        ("ICC-3AA2250", "3AA"),
        ("DOT-E 9999 3500", "SP"),
        ("DOT-SP99999-3442", "SP"),
        ("CTC/DOT-3AL3000", "3AL"),
        ("TC-3ALM207/DOT-3AL3000", "3AL"),
        ("TC-3ALM207", "TC-3ALM"),
        ("TC-3AAM232", "TC-3AAM"),
        ("CTC-3AL", "CTC-3AL"),
        ("ISO 9809-1", "UN-SEAMLESS"),
        ("UN ISO 7866", "UN-SEAMLESS"),
        ("ISO 11119-2", "UN-COMPOSITE"),
    ],
)
def test_a_known_specification_is_recognised(typed: str, key: str) -> None:
    assert spec_known(US, typed) == key


@pytest.mark.parametrize(
    "typed",
    [
        "",
        " ",
        "/",
        "DOT",
        "3",
        "3000",
        "3AK3000",
        "3AI",
        "UN",  # seamless or composite is not said, and they differ by five years
        "DOT-3ALM207",  # a metric specification with the American prefix
        "TC-3ALM3000",  # psi in a field of bar
        "DOT-3AL3000+",  # a plus belongs to a test date, and 3AL has none
        "DOT-3AL30",
        "DOT-3AL30000",
        "3AL/3AK",
        "3AL 3AA",
        "DOT-SP123",
        "3AL" + " " * 100,
    ],
)
def test_anything_else_is_unknown(typed: str) -> None:
    assert spec_known(US, typed) is None


def test_a_mark_that_fits_two_specifications_is_none_of_them() -> None:
    text = resources.files("rulebook").joinpath("packs", "us.toml").read_text(encoding="utf-8")
    planted = text.replace('spellings = ["3HT", "DOT3HT"]', 'spellings = ["3HT", "3AL3000"]', 1)
    assert planted != text
    assert spec_known(read_pack("us", planted), "3AL3000") is None
    assert spec_known(read_pack("us", planted), "3AL2400") == "3AL"


def test_every_listed_key_is_known_as_itself() -> None:
    assert [spec_known(US, key) for key in spec_list(US)] == list(spec_list(US))


@given(st.text(max_size=80))
def test_no_text_breaks_the_reading(typed: str) -> None:
    assert spec_known(US, typed) in (None, *spec_list(US))


@given(st.sampled_from(spec_list(US)), st.lists(st.sampled_from([" ", "-", ".", "_"]), max_size=8))
def test_parting_and_case_change_nothing(key: str, parts: list[str]) -> None:
    typed = key.lower()
    for place, part in enumerate(parts):
        at = (place * 3) % (len(typed) + 1)
        typed = typed[:at] + part + typed[at:]
    assert spec_known(US, typed) == key
