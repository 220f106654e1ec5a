"""What divers write under an analysis: kept in files of this shop alone. A fact carries the hash of the file and no more.

A stroke is personal data: it is never published, never sent to the hub, never logged. Each file begins with chance, so that its hash
tells nothing of initials that anybody could guess. To forget a signature, delete its file: the fact stays as it was.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

from branch.desk import Desk, Outcome
from cylinder import commands as c
from cylinder.around import Actor
from cylinder.facts.analysis import HowSigned
from cylinder.refusal import Reason, Refused

LONGEST_STROKE = 60_000
FEWEST_POINTS = 8
SMALLEST_EXTENT = 120
"""A stroke narrower than this, of the 1000 units that the field is wide, is a slip of the hand. Our choice."""

_STROKE = re.compile(r"\d{1,4},\d{1,4}(?: \d{1,4},\d{1,4})*(?:;\d{1,4},\d{1,4}(?: \d{1,4},\d{1,4})*)*")
_INITIALS = re.compile(r"[^\W\d_](?:[ .'-]{0,2}[^\W\d_]){1,7}\.?")


@dataclass(frozen=True, slots=True)
class Signing:
    """Which figures were shown to the diver, and what they wrote under them."""

    key: UUID
    visit_id: UUID
    version: int | None
    oxygen_percent: float
    helium_percent: float
    how: HowSigned
    mark: str


class Signatures:
    """A folder of signatures. Safe for many threads: each tap has a file of its own."""

    def __init__(self, folder: Path, new_token: Callable[[], str]) -> None:
        self._folder = folder
        self._new_token = new_token

    def keep(self, signing: Signing) -> tuple[str, bool]:
        """The hash under which it lies here, and whether it is new: the same tap again finds its own."""
        path = self._path(signing)
        if path.exists():
            return _hash(path.read_bytes()), False
        self._folder.mkdir(mode=0o700, exist_ok=True)
        kept = {"chance": self._new_token(), "how": signing.how, "mark": signing.mark}
        raw = json.dumps(kept, ensure_ascii=False, sort_keys=True).encode()
        partial = path.with_suffix(".partial")
        with os.fdopen(os.open(partial, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o600), "wb") as file:
            file.write(raw)
            file.flush()
            os.fsync(file.fileno())
        partial.replace(path)
        return _hash(raw), True

    def drop(self, signing: Signing) -> None:
        """Forget what no fact speaks of."""
        self._path(signing).unlink(missing_ok=True)

    def _path(self, signing: Signing) -> Path:
        return self._folder / f"{signing.visit_id}.{signing.key}.json"


def sign_for(desk: Desk, signatures: Signatures, actor: Actor, signing: Signing) -> Outcome:
    """Keep what was written, then record that it was. Raises Refused with every reason; then nothing is kept."""
    wrong = mark_reason(signing.how, signing.mark)
    if wrong is not None:
        raise Refused([wrong])
    kept, is_new = signatures.keep(signing)
    try:
        return desk.handle(
            c.SignContents(
                key=signing.key,
                visit_id=signing.visit_id,
                version=signing.version,
                oxygen_percent=signing.oxygen_percent,
                helium_percent=signing.helium_percent,
                how=signing.how,
                mark_sha256=kept,
            ),
            actor,
        )
    except Refused:
        if is_new:
            signatures.drop(signing)
        raise


def mark_reason(how: HowSigned, mark: str) -> Reason | None:
    """Why this is no signature; None when it is one."""
    if how == "initials":
        if _INITIALS.fullmatch(mark):
            return None
        return Reason("sign.initials", "Key the diver's initials: two letters at least.", "input")
    if len(mark) <= LONGEST_STROKE and _STROKE.fullmatch(mark) and _is_written(mark):
        return None
    return Reason("sign.stroke", "Nothing was written that could be a signature. Sign once more.", "input")


def _is_written(mark: str) -> bool:
    points = [tuple(map(int, point.split(","))) for point in mark.replace(";", " ").split(" ")]
    across, down = [x for x, _ in points], [y for _, y in points]
    extent = max(max(across) - min(across), max(down) - min(down))
    return len(points) >= FEWEST_POINTS and extent >= SMALLEST_EXTENT


def _hash(raw: bytes) -> str:
    return hashlib.sha256(raw).hexdigest()
