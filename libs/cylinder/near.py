"""When two serials may be the same metal: signs that are misread for one another, and one slip of a finger.

Pure text. The stores keep `skeleton(serial)` in an index and look up `slips(...)` in it.
"""

from __future__ import annotations

from dataclasses import dataclass

_READ_AS = {"O": "0", "Q": "0", "D": "0", "I": "1", "L": "1", "S": "5", "B": "8", "Z": "2"}
"""Stamped signs that are read for one another (common practice, no source): all fold to the digit."""

_SIGNS = "0123456789ACEFGHJKMNPRTUVWXY"
"""What a skeleton can hold after folding."""


def bare(serial: str) -> str:
    """Letters and digits only, upper case: spaces, dashes and dots are not part of the identity."""
    return "".join(sign for sign in serial.upper() if sign.isascii() and sign.isalnum())


def skeleton(serial: str) -> str:
    """`bare` with every sign that may be misread folded to one: "B0471-8Q" gives "8047180"."""
    return "".join(_READ_AS.get(sign, sign) for sign in bare(serial))


def slips(folded: str) -> frozenset[str]:
    """Every skeleton one slip away (one sign left out, put in, replaced or two swapped), and `folded` itself."""
    splits = [(folded[:n], folded[n:]) for n in range(len(folded) + 1)]
    left_out = {a + b[1:] for a, b in splits if b}
    swapped = {a + b[1] + b[0] + b[2:] for a, b in splits if len(b) > 1}
    replaced = {a + sign + b[1:] for a, b in splits if b for sign in _SIGNS}
    put_in = {a + sign + b for a, b in splits for sign in _SIGNS}
    return frozenset({folded, *left_out, *swapped, *replaced, *put_in} - {""})


@dataclass(frozen=True, slots=True)
class Likeness:
    """How near a keyed serial is to one on record: 0 the same, 1 only misread signs differ, 2 one slip."""

    distance: int
    why: str


def likeness(keyed: str, on_record: str) -> Likeness | None:
    """Compare two serials; None when they are further apart than one slip.

    >>> likeness("B0471", "8O471")
    Likeness(distance=1, why='8 read as B, O read as 0')
    """
    one, other = bare(keyed), bare(on_record)
    if one == other:
        return Likeness(0, "the same serial")
    if not one or not other:
        return None
    if skeleton(one) == skeleton(other):
        pairs = [
            f"{stamped} read as {read}" for stamped, read in zip(other, one, strict=True) if stamped != read
        ]
        return Likeness(1, ", ".join(dict.fromkeys(pairs)))
    if skeleton(other) in slips(skeleton(one)):
        return Likeness(2, _slip_words(one, other))
    return None


def _slip_words(one: str, other: str) -> str:
    if len(one) < len(other):
        return "one sign left out"
    if len(one) > len(other):
        return "one sign too many"
    differing = [n for n, (a, b) in enumerate(zip(skeleton(one), skeleton(other), strict=True)) if a != b]
    if len(differing) == 1:
        return f"{one[differing[0]]} for {other[differing[0]]}"
    return "two signs swapped"
