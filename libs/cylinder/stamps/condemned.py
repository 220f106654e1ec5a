"""CONDEMNED, and the row of X's stamped over a specification. Must never let one pass for a serial: in doubt it blocks."""

from __future__ import annotations

import re
from typing import Final

from cylinder.stamps.reading import Condemned
from cylinder.stamps.typed import ALONE_AFTER, ALONE_BEFORE, Typed, loose

_SOURCE: Final = "49 CFR 180.205(i)(2)(i), 2015 edition"

_WORD: Final = re.compile(loose("CONDEMNED", r"[\s.\-]?") + "|" + loose("CONDE") + "[MN][A-Z0]{0,5}")
_OVER: Final = re.compile(r"X(?:[\s\-./]?X){2,}")
_SOME: Final = re.compile(
    ALONE_BEFORE + "(?:XX|[A-Z0-9]{0,3}?(?:X[A-Z0-9]{1,2}){2}X[A-Z0-9]{0,3})" + ALONE_AFTER
)
_REJECTED: Final = re.compile("REJECT(?:ED)?")


def read_condemned(typed: Typed) -> Condemned | None:
    found: Condemned | None = None
    for over in typed.find(_OVER):
        found = "OVERSTAMPED"
        words = "A row of X's is stamped over the mark: this cylinder is condemned. Never fill it."
        typed.remark("condemned.overstamped", "refuse", "condemned", words, over.span(), source=_SOURCE)
        typed.take(*over.span())
    for word in typed.find(_WORD):
        found = "CONDEMNED"
        words = "It is stamped CONDEMNED. Never fill it: nothing restores it."
        typed.remark("condemned.stamped", "refuse", "condemned", words, word.span(), source=_SOURCE)
        typed.take(*word.span())
    for some in typed.find(_SOME):
        words = "Are these X's stamped over another sign? Then the cylinder is condemned."
        alternatives = (f"a mark {some[0]}", "X's over another mark: condemned")
        typed.remark("condemned.some_x", "hold", "condemned", words, some.span(), alternatives=alternatives)
    for word in typed.find(_REJECTED):
        words = "It says REJECTED. Do not fill it before it is requalified and the record says so."
        source = "49 CFR 180.205(h), 2015 edition"
        typed.remark("condemned.rejected", "refuse", "condemned", words, word.span(), source=source)
        typed.take(*word.span())
    return found
