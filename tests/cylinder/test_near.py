"""Serials that may be the same metal: the likeness is the same both ways, and no single slip is missed."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cylinder.near import bare, likeness, skeleton, slips

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
SERIALS = st.text(LETTERS + " -./", min_size=1, max_size=10).filter(lambda text: bool(bare(text)))
PLAIN = st.text(LETTERS, min_size=2, max_size=10)
FAST = settings(max_examples=150, deadline=None)


@FAST
@given(SERIALS, SERIALS)
def test_likeness_is_the_same_both_ways(one: str, other: str) -> None:
    there, back = likeness(one, other), likeness(other, one)
    assert (there and there.distance) == (back and back.distance)


@FAST
@given(PLAIN, st.data())
def test_no_single_slip_is_missed(stamped: str, data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(stamped) - 1))
    sign = data.draw(st.sampled_from(LETTERS))
    slipped = data.draw(
        st.sampled_from(
            [
                stamped[:at] + stamped[at + 1 :],
                stamped[:at] + sign + stamped[at:],
                stamped[:at] + sign + stamped[at + 1 :],
                stamped[: at - 1] + stamped[at] + stamped[at - 1] + stamped[at + 1 :] if at else stamped,
            ]
        )
    )
    assert likeness(slipped, stamped) is not None
    assert skeleton(stamped) in slips(skeleton(slipped))


@FAST
@given(SERIALS)
def test_spaces_case_and_dashes_are_not_part_of_a_serial(serial: str) -> None:
    found = likeness(" " + serial.lower() + "-", serial)
    assert found is not None
    assert found.distance == 0


@pytest.mark.parametrize("pair", ["O0", "I1", "S5", "B8", "Z2"])
def test_a_misread_sign_is_nearer_than_a_slip(pair: str) -> None:
    found = likeness(f"A{pair[0]}7", f"A{pair[1]}7")
    assert found is not None
    assert found.distance == 1


@pytest.mark.parametrize(
    ("keyed", "on_record", "why"),
    [
        ("B0471", "8O471", "8 read as B, O read as 0"),
        ("A047", "A0471", "one sign left out"),
        ("A04711", "A0471", "one sign too many"),
        ("A0473", "A0471", "3 for 1"),
        ("A0417", "A0471", "two signs swapped"),
    ],
)
def test_the_words_say_what_may_have_happened(keyed: str, on_record: str, why: str) -> None:
    found = likeness(keyed, on_record)
    assert found is not None
    assert found.why == why


def test_two_slips_are_another_serial() -> None:
    assert likeness("A0471", "A9371") is None
    assert likeness("A0471", "") is None
