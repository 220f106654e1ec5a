"""Who made it and which number it bears, as claims; and the words that are stamped beside them.

Owns what becomes of signs that nothing else has read. Must never choose between two serials without a remark.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from cylinder.stamps.typed import ALONE_AFTER, ALONE_BEFORE, Typed

LONGEST_SERIAL: Final = 32
LONGEST_MARK: Final = 16
MOST_FIGURES: Final = 10
"""A number of more digits than this is none of a cylinder's marks: it is a bar code or an article (common practice, no source)."""

_SERIAL: Final = re.compile(
    ALONE_BEFORE
    + r"(?:S\s?/\s?N|SN|SER(?:IAL)?\.?(?:\s?(?:NO|NR|NUMBER)\b)?)[ :#.=]{1,3}(?P<value>[A-Z0-9][A-Z0-9./\-]*)"
)
_MAKER: Final = re.compile(
    ALONE_BEFORE + r"(?:MFR|MAKER|MAKE|SYMBOL|SYM)[ :.=]{1,3}(?!DATE|MADE)(?P<value>[A-Z0-9]+)" + ALONE_AFTER
)
_INSPECTOR: Final = re.compile(
    ALONE_BEFORE + r"(?:INSP|INSPECTOR)[ :.=]{1,3}(?P<value>[A-Z0-9]+)" + ALONE_AFTER
)
_WORDS: Final = (
    re.compile(ALONE_BEFORE + r"(?P<word>RETHREAD)(?:ED)?" + ALONE_AFTER),
    re.compile(ALONE_BEFORE + r"(?P<word>SPUN|PLUG)" + ALONE_AFTER),
    re.compile(ALONE_BEFORE + r"(?P<word>CE|π|PI)\s?(?P<number>[0-9]{4})" + ALONE_AFTER),
    re.compile(ALONE_BEFORE + r"(?P<word>LAB)\s?(?P<number>[0-9]{2,6}(?:\s?SP)?)" + ALONE_AFTER),
)
_WORDS_BY_A_STANDARD: Final = re.compile(ALONE_BEFORE + r"(?P<word>CE|H|UT|UW)" + ALONE_AFTER)
_LEFT: Final = re.compile(r"[A-Z0-9]+(?:[./\-]+[A-Z0-9]+)*")
_SERIAL_AND_SYMBOL: Final = re.compile(r"([A-Z0-9]+(?:[./]+[A-Z0-9]+)*)[./]*-+([A-Z]+)")
_RIN: Final = re.compile("[A-Z][0-9]{3}")
_A_TEST: Final = re.compile("(?:[1-9]|0[1-9]|1[0-2])[A-Z][0-9]{5}[A-Z]{0,2}")
_A_DATE: Final = re.compile(r"(?:19|20)[0-9]{2}|[0-9]{1,2}[./\-][0-9]{1,4}")
NO_CLAIM: Final = frozenset(
    [
        *("SERIAL", "NO", "NR", "NUMBER", "SPEC", "DATE", "MFG", "MADE", "TEST", "TESTED", "RETEST", "HYDRO"),
        *("RIN", "PSI", "PSIG", "BAR", "AND", "THE", "ON", "MAKER", "BY", "CYL", "CYLINDER"),
        *("MAKE", "MFR", "MFD", "SYM", "SYMBOL", "INSP", "INSPECTOR", "SN", "SER", "BORN", "MANUFACTURED"),
        *("ORIGINAL", "FIRST", "REQUAL", "QUAL", "QUALIFIED", "REE", "PW", "PH", "WP", "TP", "UN", "ISO"),
    ]
)
"""Words that people type between marks."""


@dataclass(frozen=True, slots=True)
class Claims:
    serial: str = ""
    maker: str = ""
    inspector: str = ""


def read_labelled(typed: Typed) -> Claims:
    """What has its name before it: S/N, MFR, INSP. Read before everything else, so that nothing else eats it."""
    return Claims(
        _labelled(typed, _SERIAL, LONGEST_SERIAL, "serial"),
        _labelled(typed, _MAKER, LONGEST_MARK, "maker"),
        _labelled(typed, _INSPECTOR, LONGEST_MARK, "inspector"),
    )


def read_words(typed: Typed, *, has_standard: bool) -> tuple[str, ...]:
    """Words that are stamped beside the marks, in their order: RETHREAD, SPUN, PLUG, CE 0045, LAB 1234."""
    read: list[tuple[int, str]] = []
    for pattern in (*_WORDS, *((_WORDS_BY_A_STANDARD,) if has_standard else ())):
        for found in typed.find(pattern):
            number = re.sub(r"\s?SP", " SP", found["number"]) if "number" in pattern.groupindex else ""
            word = "π" if found["word"] == "PI" else found["word"]
            read.append((found.start(), f"{word} {number}".rstrip()))
            typed.take(*found.span())
    return tuple(dict.fromkeys(word for _, word in sorted(read)))


def read_claims(typed: Typed, labelled: Claims) -> Claims:
    """What is left: the first with a digit is the serial, the first of letters alone the maker, the second the inspector."""
    serials: list[tuple[str, tuple[int, int]]] = []
    marks: list[str] = [labelled.maker, labelled.inspector]
    for text, at in _pieces(typed):
        if text in NO_CLAIM or len(text) > LONGEST_SERIAL or (text.isdigit() and len(text) > MOST_FIGURES):
            _remark_on_unread(typed, text, at)
        elif any(sign.isdigit() for sign in text):
            serials.append((text, at))
        elif "" in marks and len(text) <= LONGEST_MARK:
            marks[marks.index("")] = text
        else:
            _remark_on_unread(typed, text, at)
        typed.take(*at)
    return Claims(_one_serial(typed, labelled.serial, serials), marks[0], marks[1])


def _labelled(typed: Typed, pattern: re.Pattern[str], longest: int, name: str) -> str:
    value = ""
    for found in typed.find(pattern):
        one = found["value"].rstrip("./-")
        at = (found.start("value"), found.start("value") + len(one))
        is_usable = len(one) <= longest and (name != "serial" or any(sign.isdigit() for sign in one))
        if name == "serial" and one.isdigit() and len(one) > MOST_FIGURES:
            is_usable = False
        if not is_usable or one in NO_CLAIM or (name == "serial" and not any(s.isalnum() for s in one)):
            continue
        if value and one != value:
            part = "maker" if name != "serial" else "serial"
            words = f"A second {name}, {one}, beside {value}: which is it?"
            typed.remark(
                f"{part}.twice",
                "hold",
                "maker" if part == "maker" else "serial",
                words,
                at,
                alternatives=(one,),
            )
        value = value or one
        typed.take(found.start(), at[1])
    return value


def _pieces(typed: Typed) -> list[tuple[str, tuple[int, int]]]:
    """Each stretch of signs that is left; "1234-XY" is a serial and a symbol, as in 49 CFR 178.35(f)(1)."""
    pieces: list[tuple[str, tuple[int, int]]] = []
    for found in _LEFT.finditer(typed.open):
        if not any(sign.isdigit() for sign in found[0]):
            parts = re.finditer("[A-Z]+", found[0])
            pieces += [
                (part[0], (found.start() + part.start(), found.start() + part.end())) for part in parts
            ]
            continue
        halves = _SERIAL_AND_SYMBOL.fullmatch(found[0])
        if halves is None:
            pieces.append((found[0], found.span()))
            continue
        for half in (1, 2):
            at = (found.start() + halves.start(half), found.start() + halves.end(half))
            pieces.append((halves[half], at))
    return pieces


def _one_serial(typed: Typed, labelled: str, found: list[tuple[str, tuple[int, int]]]) -> str:
    """The serial; when there are two that may be it, the first, and a remark with the others."""
    names = list(dict.fromkeys(text for text, _ in found))
    if labelled or len(names) != 1:
        for text, at in found[0 if labelled else 1 :]:
            if text in (labelled, *names[:1]) and (labelled == text or not labelled):
                continue
            words = f"“{text}” is read as no mark. Is it the serial?"
            others = (f"serial {text}", *((f"requalifier's number {text}",) if _RIN.fullmatch(text) else ()))
            typed.remark("serial.other", "hold", "serial", words, at, alternatives=others)
    serial = labelled or (names[0] if names else "")
    if serial and not labelled:
        _question_serial(typed, serial, found[0][1])
    return serial


def _question_serial(typed: Typed, serial: str, at: tuple[int, int]) -> None:
    halves = re.fullmatch(r"([A-Z]{1,4})-+([A-Z0-9./]+)", serial)
    if halves is not None:
        words = f"Is {serial} the serial, or is {halves[1]} the maker's symbol before it?"
        alternatives = (f"serial {halves[2]} of maker {halves[1]}",)
        typed.remark("serial.or_maker", "hold", "serial", words, at, alternatives=alternatives)
    elif _A_TEST.fullmatch(serial):
        words = (
            f"“{serial}” is read as the serial. Is it a requalification mark? Type spaces around its number."
        )
        typed.remark("serial.or_test", "hold", "serial", words, at, alternatives=(f"requalified {serial}",))
    elif _A_DATE.fullmatch(serial):
        words = f"“{serial}” is read as the serial. Is it a year or a date?"
        typed.remark("serial.or_date", "hold", "serial", words, at, alternatives=(f"date {serial}",))
    elif len(serial) < 3:
        words = f"“{serial}” is short for a serial. Is a sign missing?"
        typed.remark("serial.short", "hold", "serial", words, at)


def _remark_on_unread(typed: Typed, text: str, at: tuple[int, int]) -> None:
    if text.isdigit() and len(text) > MOST_FIGURES:
        words = f"A number of {len(text)} digits is no pressure, no date and no serial."
        typed.remark("number.nonsense", "refuse", "other", words, at)
    elif len(text) > LONGEST_SERIAL:
        words = f"{len(text)} signs in one piece are no mark. Type a space where the stamps part."
        typed.remark("text.no_mark", "refuse", "other", words, at)
    else:
        words = f"“{text}” is not read as a mark."
        typed.remark("text.unread", "tell", "other", words, at)
