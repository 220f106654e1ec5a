"""The tag that a shop gives to a cylinder whose serial cannot be read: "*TAG K7M3-PX9R*".

Stars and the word TAG stand on no shoulder, so it is never taken for a maker's serial; its signs are none that is
read for another. Unique by chance: it follows from the random id of the tap that made it. Pure.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from uuid import UUID

from cylinder.marks import Marks
from cylinder.near import bare, likeness

_SIGNS = "CFHJKMNPRTVWXY34679"
_LENGTH = 8
_TAG = re.compile(rf"\*TAG [{_SIGNS}]{{4}}-[{_SIGNS}]{{4}}\*")
_BARE_TAG = re.compile(rf"TAG[{_SIGNS}]{{{_LENGTH}}}")


def tag_of(key: UUID) -> str:
    """The tag that this tap makes: one of 19 to the 8th, about 17,000 million."""
    number = int.from_bytes(hashlib.sha256(b"tag\n" + key.bytes).digest())
    signs = []
    for _ in range(_LENGTH):
        number, at = divmod(number, len(_SIGNS))
        signs.append(_SIGNS[at])
    half = _LENGTH // 2
    return f"*TAG {''.join(signs[:half])}-{''.join(signs[half:])}*"


def is_tag(serial: str) -> bool:
    """Whether this is a shop's tag and no serial."""
    return _TAG.fullmatch(serial) is not None


def reads_as_tag(serial: str) -> bool:
    """Whether somebody keyed a tag where a serial belongs, its stars and its dash or not: the metal was not read."""
    return _BARE_TAG.fullmatch(bare(serial)) is not None


def tag_among(marks: Iterable[Marks]) -> Marks | None:
    """The claim that is a tag, if one is."""
    return next((one for one in marks if reads_as_tag(one.serial)), None)


def serial_among(marks: Iterable[Marks]) -> Marks | None:
    """The first claim that is a maker's serial, if one is. What is as good as a tag beside it is that tag, misread."""
    claims = tuple(marks)
    tags = [one.serial for one in claims if reads_as_tag(one.serial)]
    return next(
        (
            one
            for one in claims
            if not reads_as_tag(one.serial) and all(likeness(one.serial, tag) is None for tag in tags)
        ),
        None,
    )
