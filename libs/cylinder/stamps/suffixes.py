"""The signs behind a test date, and what each says of the test. 49 CFR 180.213(f), 2015 edition.

Must never take a sign whose meaning was not found.
"""

from __future__ import annotations

import re
from typing import Final

from cylinder.stamps.reading import NO_TEST_FOR_SCUBA, Suffix
from cylinder.stamps.typed import Typed

_CFR: Final = "49 CFR 180.213(f)({}), 2015 edition"

MEANING: Final[dict[Suffix, str]] = {
    "+": "may be filled 10 % above its service pressure, on the conditions of the law",
    "★": "ten years to the next test",
    "S": "proof pressure test",
    "E": "external visual inspection",
    "FS": "shell and porous filler",
    "AE": "acoustic emission and visual inspection",
    "UE": "ultrasonic and visual inspection",
    "VE": "eddy current and visual inspection",
    "V": "visual inspection alone",
}
SOURCE: Final[dict[Suffix, str]] = {
    "+": _CFR.format(3),
    "★": _CFR.format(2),
    "S": _CFR.format(4),
    "E": _CFR.format(5),
    "FS": _CFR.format(7),
    "AE": _CFR.format(8),
    "UE": _CFR.format(8),
    "VE": _CFR.format(9),
    "V": "a British mark, second-hand",
}
_WORDS: Final = {"PLUS": "+", "STAR": "★"}
_END: Final = r"(?![A-Z0-9])(?!\s?[\-.#]?\s?[0-9]{4})"

SIGNS: Final = (
    r"(?P<suffixes>(?:\s?,?\s?(?:\+|★))*(?:\s?[,\-]?\s?(?:PLUS|STAR|VE|UE|AE|FS|RT|[SERV])"
    + _END
    + r")?(?:\s?(?:\+|★))*)"
)
"""Behind a date with a requalifier's number: any of the signs."""

PLAIN_SIGNS: Final = (
    r"(?P<suffixes>(?:\s?(?:\+|★))*(?:(?:\s?[,\-]?\s?(?:PLUS|STAR|VE|UE|AE|FS|[SEV])|(?:RT|R))"
    + _END
    + r")?(?:\s?(?:\+|★))*)"
)
"""Behind a bare date: RT and R only where they touch it, for they are somebody's mark elsewhere."""

_APART: Final = re.compile(r"[\s,\-](?P<letters>VE|UE|AE|FS|[SEV])(?![A-Z])")

_SIGN: Final = re.compile(r"\+|★|PLUS|STAR|VE|UE|AE|FS|RT|[SERV]")


def question_letters_apart(typed: Typed, found: re.Match[str]) -> None:
    """Letters that stand apart behind a bare date may be an inspector's mark as well."""
    letters = _APART.search(found["suffixes"])
    if letters is not None:
        at = (
            found.start("suffixes") + letters.start("letters"),
            found.start("suffixes") + letters.end("letters"),
        )
        words = f"{letters['letters']} is read as a sign behind the date. Is it somebody's mark?"
        alternatives = (f"a mark {letters['letters']}",)
        typed.remark("suffix.or_mark", "hold", "requalification", words, at, alternatives=alternatives)


def read_suffixes(typed: Typed, found: re.Match[str]) -> tuple[Suffix, ...]:
    """The signs in a match, each once, in their order. A sign that says too little for scuba is remarked on."""
    start = found.start("suffixes")
    read: list[Suffix] = []
    for sign in _SIGN.finditer(found["suffixes"]):
        at = (start + sign.start(), start + sign.end())
        written = _WORDS.get(sign[0], sign[0])
        if written not in MEANING:
            words = f"{written} behind a test date was not found in the 2015 edition of 49 CFR 180.213: it is not read as a test."
            typed.remark("suffix.unknown", "refuse", "requalification", words, at)
            continue
        suffix = written
        if suffix == "+":
            typed.places.setdefault("plus", []).append(at)
        if suffix in NO_TEST_FOR_SCUBA:
            words = f"{suffix}: {MEANING[suffix]}. That is not the test a breathing-gas cylinder needs."
            typed.remark(
                "suffix.no_test",
                "tell" if suffix == "V" else "hold",
                "requalification",
                words,
                at,
                source=SOURCE[suffix],
            )
        elif suffix == "★":
            words = "A star is not for underwater breathing (from memory of 49 CFR 180.209(b)(1)): five years, or none."
            typed.remark("suffix.star", "hold", "requalification", words, at, source=SOURCE[suffix])
        else:
            words = f"{suffix}: {MEANING[suffix]}."
            typed.remark("suffix.meaning", "tell", "requalification", words, at, source=SOURCE[suffix])
        read.append(suffix)
    return tuple(dict.fromkeys(read))
