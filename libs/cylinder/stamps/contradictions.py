"""Marks that are each well formed and cannot all be true: duals that disagree, a plus on aluminium, PW too high for PH.

Must never settle a contradiction: both marks stay read, and the remark says why they do not go together.
"""

from __future__ import annotations

from typing import Final, Literal

from cylinder.stamps.reading import DateMark, Stamps, same_rating
from cylinder.stamps.spelled import IN_BAR
from cylinder.stamps.typed import Typed

# 49 CFR 173.302a(b), 2015 edition.
MAY_CARRY_PLUS: Final = frozenset({"3A", "3AX", "3AA", "3AAX", "3T"})

_ALUMINIUM: Final = ("3AL", "3ALM", "4E", "ISO 7866", "EN 1975", "HOAL")
_STEEL: Final = (
    "3A",
    "3AA",
    "3AX",
    "3AAX",
    "3T",
    "3HT",
    "3AM",
    "3AAM",
    "3AXM",
    "3AAXM",
    "3HTM",
    "3TM",
    "ISO 9809",
    "EN 1964",
    "HOS",
    "HOT",
)


def remark_on_contradictions(typed: Typed, stamps: Stamps) -> None:
    _check_ratings(typed, stamps)
    _check_metals(typed, stamps)
    _check_test_pressure(typed, stamps)
    _check_plus(typed, stamps)
    _check_order(typed, stamps)


def metal_of(spec: str) -> Literal["aluminium", "steel"] | None:
    """The metal that a specification or standard is for; None where it may be either or a composite."""
    name = spec.partition("-")[0] if spec.startswith(("ISO", "EN")) else spec.partition(" ")[0]
    if name in _ALUMINIUM:
        return "aluminium"
    return "steel" if name in _STEEL else None


def _check_ratings(typed: Typed, stamps: Stamps) -> None:
    duals = stamps.marked_ratings
    for other in duals[1:]:
        if not same_rating(duals[0], other):
            words = f"The marks disagree: {duals[0].words_in_both()} and {other.words_in_both()}. One of them is misread."
            at = typed.places["specification"][-1]
            typed.remark(
                "rating.disagree",
                "refuse",
                "pressure",
                words,
                at,
                alternatives=(duals[0].words(), other.words()),
            )
    for other in stamps.ratings[len(duals) :]:
        first = stamps.ratings[0]
        if not same_rating(first, other):
            words = f"Two ratings, {first.words_in_both()} and {other.words_in_both()}: the lower one counts until it is settled."
            at = typed.place("pressure")
            typed.remark(
                "rating.two", "hold", "pressure", words, at, alternatives=(first.words(), other.words())
            )


def _check_metals(typed: Typed, stamps: Stamps) -> None:
    names = [*(mark.spec for mark in stamps.specifications), *stamps.standards]
    metals = {name: metal for name in names if (metal := metal_of(name))}
    if len(set(metals.values())) > 1:
        words = (
            "The marks are for two metals: "
            + ", ".join(f"{name} {metal}" for name, metal in metals.items())
            + "."
        )
        at = typed.places["specification"][-1]
        typed.remark("metal.disagree", "refuse", "specification", words, at, alternatives=tuple(metals))
    if stamps.alloy and "steel" in metals.values():
        words = f"{stamps.alloy} is an aluminium alloy, and the specification is for steel."
        typed.remark("metal.alloy", "refuse", "specification", words, typed.place("other"))
    if stamps.alloy == "6351" and (stamps.is_un or any(one.startswith("ISO") for one in stamps.standards)):
        words = "A UN cylinder of alloy 6351 is prohibited."
        source = "49 CFR 173.301(l), 2015 edition"
        typed.remark(
            "alloy.prohibited", "refuse", "specification", words, typed.place("other"), source=source
        )


def _check_test_pressure(typed: Typed, stamps: Stamps) -> None:
    """49 CFR 173.302b(b), 2015 edition, is the law for UN cylinders; on an older mark it is a question."""
    working, test = stamps.working, stamps.test
    if working is None or test is None or not working.times(3).is_above(test.times(2)):
        return
    highest = test.times(2 / 3)
    is_rounding = working.value <= round(highest.value)
    is_law = stamps.is_un or any(one.startswith("ISO") for one in stamps.standards) or not stamps.standards
    words = f"PW {working.words()} is above two thirds of PH {test.words()}, which is {highest.words()}."
    if is_rounding:
        words += " The two may have been rounded apart. Look again."
    elif not test.is_above(working):
        words += " Were the two swapped?"
    typed.remark(
        "working.above_two_thirds",
        "refuse" if is_law and not is_rounding else "hold",
        "pressure",
        words,
        typed.place("pressure"),
        alternatives=(f"PW at most {highest.words()}", f"PH at least {working.times(3 / 2).words()}"),
        source="49 CFR 173.302b(b), 2015 edition",
    )


def _check_plus(typed: Typed, stamps: Stamps) -> None:
    dates = _dates(stamps)
    if not any("+" in mark.suffixes for mark in dates):
        return
    names = [mark.spec for mark in stamps.specifications] + [
        f"{one.kind} {one.number}" for one in stamps.permits
    ]
    names += list(stamps.standards)
    in_doubt = not names or any(name in IN_BAR for name in names)
    at = typed.place("plus")
    source = "49 CFR 173.302a(b), 2015 edition"
    refused = [name for name in names if name not in MAY_CARRY_PLUS and name not in IN_BAR]
    if refused or "3ALM" in names:
        words = f"A {(refused or ['3ALM'])[0]} cannot carry a plus: only 3A, 3AX, 3AA, 3AAX and 3T can."
        typed.remark("plus.not_allowed", "refuse", "requalification", words, at, source=source)
    elif in_doubt:
        words = "A plus belongs to 3A, 3AX, 3AA, 3AAX and 3T alone; which specification is this?"
        typed.remark("plus.unsure", "hold", "requalification", words, at, source=source)
    elif "+" not in max(dates, key=lambda mark: mark.month).suffixes:
        words = "The latest test has no plus, so the earlier one no longer counts."
        typed.remark(
            "plus.lapsed", "tell", "requalification", words, at, source="49 CFR 173.302a(b)(5), 2015 edition"
        )


def _check_order(typed: Typed, stamps: Stamps) -> None:
    if stamps.made is None:
        return
    for mark in stamps.requalifications:
        if mark.month < stamps.made.month:
            words = f"A test of {mark.month} is before the manufacture of {stamps.made.month}: one of the two is misread."
            typed.remark(
                "date.before_made",
                "refuse",
                "requalification",
                words,
                typed.place(f"tested {mark.month}"),
                alternatives=(f"made {mark.month}", f"tested {stamps.made.month}"),
            )


def _dates(stamps: Stamps) -> tuple[DateMark, ...]:
    return (*((stamps.made,) if stamps.made else ()), *stamps.requalifications)
