"""The corpus of shoulders: reads `corpus.tsv`, and holds the day on which it was labelled."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal, cast

TODAY = date(2026, 11, 25)

Kind = Literal["good", "sloppy", "wrong"]


@dataclass(frozen=True)
class Shoulder:
    """One line: what was typed, the canonical text of what stands there, and the remarks with the signs they point at."""

    kind: Kind
    typed: str
    read: str
    remarks: tuple[str, ...]


def shoulders() -> list[Shoulder]:
    text = Path(__file__).with_name("corpus.tsv").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    assert lines[0].split("\t") == ["kind", "typed", "read", "remarks"]
    return [_shoulder(line) for line in lines[1:]]


def _shoulder(line: str) -> Shoulder:
    kind, typed, read, remarks = line.split("\t")
    assert kind in ("good", "sloppy", "wrong"), line
    parts = tuple(sorted(part for part in remarks.split(" ; ") if part))
    return Shoulder(cast(Kind, kind), typed.replace("\\n", "\n"), read, parts)
