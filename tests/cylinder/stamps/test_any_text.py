"""No text of any kind breaks the reading, every remark points into the text, and what was read is read again."""

import random
import time
from datetime import date

from hypothesis import given, settings
from hypothesis import strategies as st
from tests.cylinder.stamps.corpus import TODAY, shoulders

from cylinder.stamps import Reading, canonical, read_stamps

TYPED = [shoulder.typed for shoulder in shoulders()]
FAST = settings(max_examples=300, deadline=None)
SIGNS = "ABDOTSPEXINURCLMKGHW0123456789 -/.,+*★⊗\n'×:#"
DAYS = st.dates(date(1, 1, 1), date(9999, 12, 31))

FUZZED = 20_000
FUZZ_S = 8.0
FEWEST_FUZZED = 1_000
"""On a busy machine the time ends the fuzz; with fewer than this it has shown nothing."""


def check(reading: Reading) -> None:
    assert all(0 <= one.start <= one.end <= len(reading.text) for one in reading.remarks)
    assert all(one.words for one in reading.remarks)


def check_round_trip(reading: Reading) -> None:
    again = read_stamps(canonical(reading), today=TODAY)
    assert again.stamps == reading.stamps, reading.text


@FAST
@given(st.text(max_size=500), DAYS)
def test_no_text_breaks_the_reading_on_any_day(typed: str, today: date) -> None:
    check(read_stamps(typed, today=today))


@FAST
@given(st.text(SIGNS, max_size=80))
def test_no_text_of_stamped_signs_is_read_differently_once_it_is_canonical(typed: str) -> None:
    reading = read_stamps(typed, today=TODAY)
    check(reading)
    check_round_trip(reading)


@FAST
@given(st.lists(st.sampled_from(TYPED), min_size=1, max_size=4))
def test_shoulders_typed_one_behind_the_other_stay_readable(typed: list[str]) -> None:
    reading = read_stamps(" ".join(typed), today=TODAY)
    check(reading)
    check_round_trip(reading)


@FAST
@given(st.sampled_from(TYPED), st.integers(0, 3), st.booleans())
def test_case_and_spaces_around_change_nothing(typed: str, spaces: int, is_upper: bool) -> None:
    other = " " * spaces + (typed.upper() if is_upper else typed.lower()) + " " * spaces
    assert read_stamps(other, today=TODAY).stamps == read_stamps(typed, today=TODAY).stamps


def test_mutated_shoulders_never_break_the_reading() -> None:
    """A bounded fuzz: the corpus with signs put in, left out, replaced and swapped, always from the same seed."""
    draw = random.Random(4)
    end = time.monotonic() + FUZZ_S
    done = 0
    while done < FUZZED and time.monotonic() < end:
        reading = read_stamps(mutated(draw), today=TODAY)
        check(reading)
        if done % 10 == 0:
            check_round_trip(reading)
        done += 1

    assert done >= FEWEST_FUZZED


def mutated(draw: random.Random) -> str:
    signs = list(draw.choice(TYPED))
    for _ in range(draw.randint(1, 6)):
        at = draw.randrange(len(signs) + 1)
        match draw.randrange(4):
            case 0:
                signs.insert(
                    at, draw.choice(SIGNS) if draw.random() < 0.95 else chr(draw.randrange(0x110000))
                )
            case 1 if signs:
                del signs[at - 1]
            case 2 if signs:
                signs[at - 1] = draw.choice(SIGNS)
            case 3 if len(signs) > 1:
                signs[at - 1], signs[at - 2] = signs[at - 2], signs[at - 1]
            case _:
                pass
    return "".join(signs)


def test_a_very_long_text_is_read_to_its_limit_and_says_so() -> None:
    reading = read_stamps("DOT-3AL3000 " * 100_000, today=TODAY)

    assert reading.remarks[-1].code == "text.too_long"
    assert reading.confidence != "clear"
    assert canonical(reading) == "DOT-3AL3000"
