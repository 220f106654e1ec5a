"""Serials as makers stamp them, in batches of consecutive numbers, and the ways in which a person reads them wrongly.

Every figure about near-match rests on these. All invented; the same seed gives the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from random import Random
from uuid import UUID

from cylinder.near import bare, likeness

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
SIGNS = LETTERS + "0123456789"
MOST_IN_A_BATCH = 400
_ALIKE = ("0OQD", "1IL", "5S", "8B", "2Z")


@dataclass(frozen=True, slots=True)
class Misread:
    """What was keyed for the serial of one record, and what kind of mistake it is."""

    cylinder_id: UUID
    stamped: str
    kind: str
    keyed: str


def invented(many: int, seed: int = 4) -> Iterator[tuple[UUID, str]]:
    """So many cylinders with a serial each; two batches may overlap, as those of two makers do."""
    chance, made = Random(seed), 0
    while made < many:
        for serial in _batch(chance, min(many - made, chance.randint(1, MOST_IN_A_BATCH))):
            made += 1
            yield UUID(int=made), serial


def misreadings(cylinder_id: UUID, stamped: str, chance: Random) -> list[Misread]:
    """One mistake of each kind that this serial allows."""
    plain = bare(stamped)
    at, sign = chance.randrange(len(plain)), chance.choice(SIGNS)
    swap = chance.randrange(len(plain) - 1)
    head = len(plain) - len(plain.lstrip("0" + LETTERS))
    letters = len(plain) - len(plain.lstrip(LETTERS))
    number = plain[letters:].lstrip("0")
    keyed = {
        "left out": plain[:at] + plain[at + 1 :],
        "put in": plain[:at] + sign + plain[at:],
        "replaced": plain[:at] + sign + plain[at + 1 :],
        "swapped": plain[:swap] + plain[swap + 1] + plain[swap] + plain[swap + 2 :],
        "signs misread": "".join(_other_reading(one, chance) for one in plain),
        "head left out": plain[chance.randint(1, head) :] if 0 < head < len(plain) else plain,
        "zeros left out": plain[:letters] + number if number else plain,
        "dashes and spaces": " ".join(plain[n : n + 3] for n in range(0, len(plain), 3)).lower() + "-",
    }
    return [Misread(cylinder_id, stamped, kind, text) for kind, text in keyed.items()]


def clean(many: int, taken: int, seed: int) -> Iterator[str]:
    """Serials of the same forms and batches that are no copy of one of the first `taken` of `invented`."""
    known = {bare(serial) for _, serial in invented(taken)}
    for _, serial in invented(many * 40, seed):
        if bare(serial) not in known:
            yield serial


def asks_at_the_counter(keyed: str, on_record: str) -> bool:
    """Whether a clear record as near as this makes the counter ask (`cylinder.decide.identify`)."""
    like = likeness(keyed, on_record)
    return like is not None and like.distance <= 1


def _batch(chance: Random, many: int) -> list[str]:
    one, two, tail = chance.choice(LETTERS), chance.choice(LETTERS), chance.choice(SIGNS)
    form, year = chance.random(), chance.randint(65, 99)
    first = chance.randint(1, 10 ** chance.choice((5, 6)) - many)
    numbers = range(first, first + many)
    if form < 0.35:
        return [f"{one}{two}{n:06d}" for n in numbers]
    if form < 0.6:
        return [f"{one}{n:06d}" for n in numbers]
    if form < 0.75:
        return [f"{year}/{n:05d}" for n in numbers]
    if form < 0.9:
        return [f"{one}{n:05d}-{tail}{two}" for n in numbers]
    return [f"{chance.randint(1, 9)}{n:06d}" for n in numbers]


def _other_reading(sign: str, chance: Random) -> str:
    alike = next((group for group in _ALIKE if sign in group), sign)
    return chance.choice(alike)
