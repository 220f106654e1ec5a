"""The text as typed, while it is being read: which signs are taken, and what there is to say about which sign.

Owns the way back from a sign to its place in the text. Must never change what was typed: a sign that is read for
another is remarked on.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from typing import Final

from cylinder.near import skeleton
from cylinder.stamps.reading import Part, Remark
from rulebook import Bearing

LONGEST_TEXT: Final = 400
"""A full shoulder has about 150 signs; beyond this it is not a shoulder."""

TAKEN: Final = "\0"
"""Stands where signs have been read, so that nothing is read across them."""

_SIGNS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
DIGIT: Final = "[0-9" + "".join(sign for sign in _SIGNS if sign.isalpha() and skeleton(sign).isdigit()) + "]"
"""A digit, or a letter that is misread for one."""

FOLDED: Final = {sign: skeleton(sign) for sign in _SIGNS}
"""Each sign as the one that it may be misread for."""

ALONE_BEFORE: Final = r"(?<![A-Z0-9])"
ALONE_AFTER: Final = r"(?![A-Z0-9])"

_ONE_SIGN = {
    **dict.fromkeys("‐‑‒–—―−﹣－_~", "-"),
    **dict.fromkeys("×✕✖✗✘╳ХΧ", "X"),
    **dict.fromkeys("*☆✩✭✶⭐", "★"),
    **dict.fromkeys("⊕✚➕", "+"),
    **dict.fromkeys("⊗ⓧⓍ◇◆△▲○●□■☐⌂⍟⎔⬡|", "⊗"),
    **dict.fromkeys("‘’`´′", "'"),
    **dict.fromkeys("⁄∕\\", "/"),
    "ß": "B",
    "Π": "π",
    "π": "π",
}


def loose(word: str, between: str = "") -> str:
    """A pattern for a word that also fits when signs that look alike are typed for each other."""
    return between.join(_alike(sign) for sign in word)


def _alike(sign: str) -> str:
    signs = [one for one in _SIGNS if FOLDED[one] == FOLDED[sign]] if sign in _SIGNS else [re.escape(sign)]
    return signs[0] if len(signs) == 1 else "[" + "".join(signs) + "]"


class Typed:
    """The signs not yet read, and the remarks so far."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._where: list[int] = []
        signs: list[str] = []
        for place, sign in enumerate(text[:LONGEST_TEXT]):
            plain = _plain(sign)
            signs.append(plain)
            self._where.extend([place] * len(plain))
        self.signs: Final = "".join(signs)
        self.open = self.signs
        self.remarks: list[Remark] = []
        self.places: dict[str, list[tuple[int, int]]] = {}

    def find(self, pattern: re.Pattern[str]) -> Iterator[re.Match[str]]:
        """Each place where the pattern fits in what is not yet read when the search begins, and still is when reached."""
        for found in pattern.finditer(self.open):
            if self.open[found.start() : found.end()] == found[0]:
                yield found

    def take(self, start: int, end: int, part: str | None = None) -> None:
        """These signs are read. With `part`, remember where it stood, so that a contradiction can point at it."""
        if part is not None:
            self.places.setdefault(part, []).append((start, end))
        self.open = self.open[:start] + TAKEN * (end - start) + self.open[end:]

    def place(self, part: str) -> tuple[int, int]:
        """Where that part was read first; the whole text when it was not."""
        return self.places.get(part, [(0, len(self.signs))])[0]

    def remark(
        self,
        code: str,
        bearing: Bearing,
        part: Part,
        words: str,
        at: tuple[int, int],
        *,
        alternatives: tuple[str, ...] = (),
        source: str = "",
    ) -> None:
        """Say something about the signs from `at[0]` up to `at[1]`."""
        start, end = at
        first, past = self._in_text(start, end)
        self.remarks.append(Remark(code, bearing, part, words, first, past, alternatives, source))

    def retell(self, at: tuple[int, int], part: Part) -> None:
        """What was said of a date before it was known which date it is belongs to that part."""
        first, past = self._in_text(*at)
        self.remarks = [
            replace(one, part=part) if first <= one.start and one.end <= past else one for one in self.remarks
        ]

    def _in_text(self, start: int, end: int) -> tuple[int, int]:
        if not self._where or end <= start:
            return 0, 0
        return self._where[start], self._where[end - 1] + 1

    def figures(self, at: tuple[int, int], part: Part) -> str:
        """The digits of a place where only digits can stand; a letter among them is read as its digit, and remarked on."""
        written = self.signs[at[0] : at[1]]
        self.misread(at[0], written, skeleton(written), part)
        return skeleton(written)

    def misread(self, start: int, written: str, read: str, part: Part) -> None:
        """Remark on every sign that is read as another."""
        for place, (one, other) in enumerate(zip(written, read, strict=True), start):
            if one != other:
                words = f"“{one}” cannot stand here: it is read as {other}. Look at the metal again."
                self.remark("sign.misread", "hold", part, words, (place, place + 1), alternatives=(other,))


def is_figures(written: str, least: int = 1) -> bool:
    """Whether these signs may be meant as a number: at least so many of them are digits, and not fewer than half."""
    digits = sum(sign.isdigit() for sign in written)
    return digits >= least and 2 * digits >= len(written)


@lru_cache(maxsize=1024)
def _plain(sign: str) -> str:
    if sign in _ONE_SIGN:
        return _ONE_SIGN[sign]
    if sign == "\n":
        return sign
    if sign.isspace() or unicodedata.category(sign)[0] in "CZ":
        return " "
    folded = unicodedata.normalize("NFKC", sign)
    folded = "".join(one for one in unicodedata.normalize("NFD", folded) if not unicodedata.combining(one))
    return "".join(_ONE_SIGN.get(one, _digit(one)) for one in folded.upper())


def _digit(sign: str) -> str:
    """A decimal digit of any script as the digit that is stamped; anything else as it is."""
    return sign if sign.isascii() else str(unicodedata.decimal(sign, sign))
