"""The parts of a pack's TOML: which kinds of line there are, and how untyped tables are taken apart without trusting them."""

from typing import Final

LINE: Final = ("id", "words", "source", "clause", "edition", "standing")
"""What every line of every kind carries."""

FIELDS: Final[dict[str, tuple[str, ...]]] = {
    "rule": (*LINE, "amounts"),
    "specification": (
        *LINE,
        "requalify_every_months",
        "first_requalify_months",
        "look_inside_every_months",
        "life_months",
        "stamped_in",
        "metal",
        "spellings",
        "numbered",
        "may_carry_plus",
        "bans_alloy_6351",
        "test_ratio",
        "tells",
        "approvals",
        "approval_rule",
    ),
    "criterion": (*LINE, "outcome", "metal", "meets"),
    "air": (
        *LINE,
        "standard",
        "measured",
        "at_most",
        "at_least",
        "bar_above",
        "bar_up_to",
        "sampled_at",
    ),
    "mark": (*LINE, "symbol", "enough"),
    "filler": (*LINE, "paper", "above_oxygen_percent", "bearing"),
}
KINDS: Final = tuple(FIELDS)

Table = dict[str, object]


def tables_of(document: Table, kind: str) -> list[Table]:
    found = document.get(kind)
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def texts_of(value: object) -> tuple[str, ...]:
    return tuple(one for one in value if isinstance(one, str)) if isinstance(value, list) else ()


def is_blank(value: object) -> bool:
    return not isinstance(value, str) or not value.strip()
