"""When two serials may be the same metal: signs that are misread for one another, one slip of a finger, a head left out.

Pure text. The stores keep `near_keys(serial)` of every serial in an index and look up `asked_keys(keyed)`; two serials
that are alike have one in common, so a look-up is a dozen probes whatever the number of records. `rank` then drops what only shares a key.
Must never leave out a serial that `likeness` finds: `tests/cylinder/test_near.py` holds the two together.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from uuid import UUID
from zlib import crc32

_READ_AS = {"O": "0", "Q": "0", "D": "0", "I": "1", "L": "1", "S": "5", "B": "8", "Z": "2"}
"""Stamped signs that are read for one another (common practice, no source): all fold to the digit."""
_FOLDED = str.maketrans(_READ_AS)

_SIGNS = "0123456789ACEFGHJKMNPRTUVWXY"
"""What a skeleton can hold after folding."""


def bare(serial: str) -> str:
    """Letters and digits only, upper case: spaces, dashes and dots are not part of the identity."""
    return "".join(sign for sign in serial.upper() if sign.isascii() and sign.isalnum())


def skeleton(serial: str) -> str:
    """`bare` with every sign that may be misread folded to one: "B0471-8Q" gives "8047180"."""
    return bare(serial).translate(_FOLDED)


def slips(folded: str) -> frozenset[str]:
    """Every skeleton one slip away (one sign left out, put in, replaced or two swapped), and `folded` itself."""
    splits = [(folded[:n], folded[n:]) for n in range(len(folded) + 1)]
    left_out = {a + b[1:] for a, b in splits if b}
    swapped = {a + b[1] + b[0] + b[2:] for a, b in splits if len(b) > 1}
    replaced = {a + sign + b[1:] for a, b in splits if b for sign in _SIGNS}
    put_in = {a + sign + b for a, b in splits for sign in _SIGNS}
    return frozenset({folded, *left_out, *swapped, *replaced, *put_in} - {""})


def near_keys(serial: str) -> tuple[int, ...]:
    """The keys under which a serial is kept: its skeleton, that with each one sign left out, its number under each head.

    Two skeletons one slip apart agree once a sign is left out of one or of both. 32 bits with a sign, as both
    databases store them in four bytes; two texts with the same key cost a comparison, never a find.
    """
    heads = {
        text
        for letters, number in _readings(bare(serial))
        for text in (f"={letters}#{number}", *(f"#{letters[n:]}#{number}" for n in range(len(letters) + 1)))
    }
    return _hashed(_one_left_out(serial) | heads)


def asked_keys(serial: str) -> tuple[int, ...]:
    """The keys under which whatever is like a keyed serial is kept: with its head or a longer one, or with a shorter."""
    heads = {
        text
        for letters, number in _readings(bare(serial))
        for text in (
            f"#{letters}#{number}",
            *(f"={letters[n:]}#{number}" for n in range(1, len(letters) + 1)),
        )
    }
    return _hashed(_one_left_out(serial) | heads)


def _one_left_out(serial: str) -> set[str]:
    folded = skeleton(serial)
    return {folded, *(folded[:n] + folded[n + 1 :] for n in range(len(folded)))} if folded else set()


def _readings(one: str) -> Iterator[tuple[str, str]]:
    """The letters in front and the number after them, as stamped and with letters that may be digits."""
    for text in (one, one.translate(_FOLDED)):
        number = _number(text)
        if number:
            yield _letters(text.removesuffix(number)), number.translate(_FOLDED)


def _hashed(texts: set[str]) -> tuple[int, ...]:
    return tuple(sorted({crc32(text.encode()) - 0x80000000 for text in texts}))


@dataclass(frozen=True, slots=True)
class Likeness:
    """How near a keyed serial is to one on record: 0 the same, 1 only misread signs differ, 2 one slip or a head left out."""

    distance: int
    why: str


@dataclass(frozen=True, slots=True)
class Near:
    """One record that a keyed serial may mean: the serial by which it is nearest, and why."""

    cylinder_id: UUID
    serial: str
    likeness: Likeness


def likeness(keyed: str, on_record: str) -> Likeness | None:
    """Compare two serials; None when they are further apart than one slip or a head of letters and zeros.

    >>> likeness("B0471", "8O471")
    Likeness(distance=1, why='8 read as B, O read as 0')
    >>> likeness("471", "AB00471")
    Likeness(distance=2, why='AB00 in front left out')
    """
    return _compared(bare(keyed), bare(on_record))


def _compared(one: str, other: str) -> Likeness | None:
    if one == other:
        return Likeness(0, "the same serial")
    if not one or not other:
        return None
    folded, folded_other = one.translate(_FOLDED), other.translate(_FOLDED)
    if folded == folded_other:
        pairs = [
            f"{stamped} read as {read}" for stamped, read in zip(other, one, strict=True) if stamped != read
        ]
        return Likeness(1, ", ".join(dict.fromkeys(pairs)))
    if _is_one_slip(folded, folded_other):
        return Likeness(2, _slip_words(one, other))
    heads = _heads(one, other) or _heads(folded, folded_other)
    return None if heads is None else Likeness(2, heads)


def rank(serial: str, claims: Iterable[tuple[UUID | str, str]]) -> tuple[Near, ...]:
    """Of the claims that share a key, those that are alike: each cylinder once, by its nearest serial, nearest first.

    The serials on record are `bare`; ids come as the store holds them.
    """
    one, best = bare(serial), dict[UUID, Near]()
    for found_id, claimed in claims:
        like = _compared(one, claimed)
        if like is not None:
            cylinder_id = found_id if isinstance(found_id, UUID) else UUID(found_id)
            before = best.get(cylinder_id)
            if before is None or like.distance < before.likeness.distance:
                best[cylinder_id] = Near(cylinder_id, claimed, like)
    return tuple(sorted(best.values(), key=lambda one: (one.likeness.distance, one.serial, one.cylinder_id)))


def _is_one_slip(one: str, other: str) -> bool:
    """Whether one sign left out, put in or replaced, or two neighbours swapped, makes one of the other."""
    if len(one) > len(other):
        one, other = other, one
    at = next((n for n, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), len(one))
    if len(other) == len(one) + 1:
        return one[at:] == other[at + 1 :]
    if len(one) != len(other):
        return False
    is_swapped = one[at : at + 2] == other[at : at + 2][::-1] and one[at + 2 :] == other[at + 2 :]
    return one[at + 1 :] == other[at + 1 :] or is_swapped


def _number(text: str) -> str:
    """What follows the letters and zeros in front."""
    return text.lstrip("0ABCDEFGHIJKLMNOPQRSTUVWXYZ")


def _heads(one: str, other: str) -> str | None:
    """The words for a head of letters or zeros that only one of the two has; None when that is not the difference."""
    number, number_other = _number(one), _number(other)
    if not number or number.translate(_FOLDED) != number_other.translate(_FOLDED):
        return None
    head, head_other = one.removesuffix(number), other.removesuffix(number_other)
    letters, letters_other = _letters(head), _letters(head_other)
    if not (letters.endswith(letters_other) or letters_other.endswith(letters)):
        return None
    if letters == letters_other:
        return f"zeros in front: {head or 'none'} for {head_other or 'none'}"
    if len(letters) < len(letters_other):
        return f"{head_other.removesuffix(head)} in front left out"
    return f"{head.removesuffix(head_other)} in front too many"


def _letters(head: str) -> str:
    return head.translate(_FOLDED).replace("0", "")


def _slip_words(one: str, other: str) -> str:
    if len(one) < len(other):
        return "one sign left out"
    if len(one) > len(other):
        return "one sign too many"
    differing = [n for n, (a, b) in enumerate(zip(skeleton(one), skeleton(other), strict=True)) if a != b]
    if len(differing) == 1:
        return f"{one[differing[0]]} for {other[differing[0]]}"
    return "two signs swapped"
