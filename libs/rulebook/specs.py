"""Which specification a person meant: turns '3-al', 'DOT-3AL3000' or 'ISO 9809-1' into the pack's key, or into nothing.

It must never guess. A mark that contradicts itself, or that only resembles a known one, is unknown, and unknown is refused.
"""

import re
import unicodedata

from rulebook.pack import Pack, Specification

LONGEST_MARK = 60

# Service pressure stamped right behind the specification (49 CFR 178.35(f)(1), 2015 edition: "DOT-3A1800").
_PRESSURE_IN_PSI = "(?:[0-9]{3,4})?"
_PRESSURE_IN_BAR = "(?:(?!0)[0-9]{3})?"
# A special permit carries its own number of four or five digits, and the pressure only behind that.
_PERMIT_IN_PSI = f"(?:[0-9]{{4,5}}{_PRESSURE_IN_PSI})?"

# The Canadian half of a dual mark names no specification of its own: "CTC/DOT-3AL3000".
_AUTHORITY_ALONE = frozenset({"DOT", "ICC", "CTC", "CRC", "BTC", "TC"})


def spec_known(pack: Pack, spec: str) -> str | None:
    """The pack's key for a specification as typed or read off the shoulder; None when the pack does not know it."""
    if len(spec) > LONGEST_MARK:
        return None
    whole = _squeezed(spec)
    # Some standards have a slash in their own name (BS 5045/1); it is never mistaken for the one between two marks.
    slashed = [one for one in pack.specifications if whole in one.spellings and "/" in whole]
    if slashed:
        return slashed[0].key
    halves = [_squeezed(half) for half in spec.split("/")]
    named = [half for half in halves if half not in _AUTHORITY_ALONE]
    found = [_match(pack, half) for half in named]
    known = [one for one in found if one is not None]
    if not known or len(known) < len(found):
        return None
    # A dual mark such as TC-3ALM207/DOT-3AL3000 is one cylinder twice: the pack's own order says which mark rules here.
    return min(known, key=pack.specifications.index).key


def spec_list(pack: Pack) -> tuple[str, ...]:
    return tuple(spec.key for spec in pack.specifications)


def _match(pack: Pack, squeezed: str) -> Specification | None:
    """The one specification the whole mark fits: DOT3AA2400 is no 3A, because A2400 is not a pressure. Two fits are none."""
    fits = [
        spec
        for spec in pack.specifications
        if any(re.fullmatch(spelling + _tail(spec), squeezed) for spelling in spec.spellings)
    ]
    return fits[0] if len(fits) == 1 else None


def _tail(spec: Specification) -> str:
    if spec.numbered:
        return _PERMIT_IN_PSI
    return _PRESSURE_IN_PSI if spec.stamped_in == "psi" else _PRESSURE_IN_BAR


def _squeezed(text: str) -> str:
    """Upper case without spaces, hyphens, dots and underscores, the ways people part a mark."""
    return re.sub(r"[\s\-‐-―._]+", "", unicodedata.normalize("NFKC", text)).upper()
