"""Contrast and night, worked out from the style sheet itself."""

import re
from pathlib import Path

import pytest

import signage

SHEET = (Path(signage.__file__).parent / "static" / "filltrail.css").read_text()


def block(start: str) -> dict[str, str]:
    body = SHEET[SHEET.index(start) + len(start) :]
    return dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})\b", body[: body.index("}")]))


LIGHT = block(":root {")
NIGHT_BY_CHOICE = block(':root[data-night="on"] {')
NIGHT_BY_SYSTEM = block(':root:not([data-night="off"]) {')

WORDS_ON_GROUND = [
    ("ink", "bay", 7.0), ("ink-2", "bay", 7.0), ("ink", "card", 7.0), ("ink-2", "card", 7.0), ("ink", "sunk", 7.0),
    ("on-deep", "deep", 7.0), ("on-deep-2", "deep", 7.0), ("on-deep-2", "deep-2", 4.5), ("on-act", "act", 7.0),
    ("on-full", "full", 7.0), ("on-live", "live", 7.0), ("on-hold", "hold", 7.0), ("on-stop", "stop", 6.9),
    ("on-tape", "tape", 7.0), ("ink", "wash-live", 12.0), ("ink", "wash-hold", 12.0), ("ink", "wash-stop", 12.0),
    ("ink", "wash-full", 12.0), ("ink-2", "wash-full", 4.5), ("ink-2", "wash-live", 4.5), ("on-metal", "metal-2", 6.0),
    ("on-metal-2", "metal-2", 4.5), ("edge", "bay", 3.0), ("edge", "card", 3.0), ("live", "bay", 3.0), ("full", "card", 3.0),
]  # fmt: skip


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("tokens", [LIGHT, NIGHT_BY_CHOICE], ids=["light", "night"])
@pytest.mark.parametrize(("words", "ground", "least"), WORDS_ON_GROUND)
def test_words_stand_out_from_their_ground(
    tokens: dict[str, str], words: str, ground: str, least: float
) -> None:
    assert contrast(tokens[words], tokens[ground]) >= least


def test_the_night_a_person_chooses_is_the_night_the_system_chooses() -> None:
    assert NIGHT_BY_CHOICE == NIGHT_BY_SYSTEM
    assert NIGHT_BY_CHOICE.keys() == LIGHT.keys()


def test_the_colour_ruler_knows_black_on_white() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
