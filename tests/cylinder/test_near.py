"""Serials that may be the same metal: the likeness is the same both ways, and no single slip is missed."""

from __future__ import annotations

from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cylinder.near import asked_keys, bare, likeness, near_keys, rank, skeleton, slips

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


@FAST
@given(PLAIN, PLAIN)
def test_whoever_is_alike_shares_a_key(one: str, other: str) -> None:
    if likeness(one, other) is not None:
        assert set(asked_keys(one)) & set(near_keys(other))


@FAST
@given(PLAIN, st.data())
def test_every_slip_is_alike_and_shares_a_key(stamped: str, data: st.DataObject) -> None:
    slipped = data.draw(st.sampled_from(sorted(slips(skeleton(stamped)))))
    assert likeness(slipped, stamped) is not None
    assert set(asked_keys(slipped)) & set(near_keys(stamped))


@FAST
@given(PLAIN, PLAIN)
def test_one_slip_is_what_the_list_of_slips_holds(one: str, other: str) -> None:
    found = likeness(one, other)
    is_in_list = skeleton(other) in slips(skeleton(one))
    assert is_in_list <= (found is not None)
    if found is not None and not is_in_list:
        assert "in front" in found.why


@FAST
@given(st.text("ABDLOS0", min_size=1, max_size=4), st.integers(1, 999_999), st.data())
def test_a_head_of_letters_and_zeros_may_be_left_out(head: str, number: int, data: st.DataObject) -> None:
    stamped = f"{head}-{number}"
    keyed = bare(stamped)[data.draw(st.integers(0, len(head))) :]
    assert likeness(keyed, stamped) is not None
    assert likeness(stamped, keyed) is not None
    assert set(asked_keys(keyed)) & set(near_keys(stamped))
    assert set(asked_keys(stamped)) & set(near_keys(keyed))


@pytest.mark.parametrize(
    ("keyed", "on_record", "why"),
    [
        ("471", "AB00471", "AB00 in front left out"),
        ("AB00471", "471", "AB00 in front too many"),
        ("471", "000471", "zeros in front: none for 000"),
        ("A471", "A00471", "zeros in front: A for A00"),
        ("1S34", "AB1S34", "AB in front left out"),
    ],
)
def test_the_words_say_what_was_left_out_in_front(keyed: str, on_record: str, why: str) -> None:
    found = likeness(keyed, on_record)
    assert found is not None
    assert (found.distance, found.why) == (2, why)


def test_another_head_is_another_serial() -> None:
    assert likeness("AB471", "CW471") is None
    assert likeness("471", "9471-2") is None


def test_each_record_is_ranked_once_by_its_nearest_serial_and_what_only_shares_a_key_is_dropped() -> None:
    one, other = UUID(int=1), UUID(int=2)
    found = rank("A0471", [(one, "A0472"), (other, "B9999"), (one, "AO471")])
    assert [(near.cylinder_id, near.serial, near.likeness.why) for near in found] == [
        (one, "AO471", "O read as 0")
    ]
