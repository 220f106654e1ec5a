"""An exported log: JSON Lines, a header, then every fact in the order of the feed, then the checkpoints.

Whoever has the file and the hub's key can check all of it with `eventlog.whole_log` and no server. It holds no
diver's name and no secret.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from eventlog.checkpoint import SignedCheckpoint, WitnessedCheckpoint
from eventlog.event import Hash
from eventlog.wire import WireEnvelope


class _Line(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Header(_Line):
    """What the log says of itself; no digest when not every fact was folded yet. `hub_public_key` is only as good as the file: pin the key from elsewhere."""

    line: Literal["log"] = "log"
    v: Literal[1] = 1
    epoch: str
    position: Annotated[int, Field(ge=0)]
    feed_hash: Hash
    standing_digest: str | None
    hub_node: str
    hub_public_key: str


class FactLine(_Line):
    """One envelope; without a position it lies in its chain only, or (`is_loose`) beside it."""

    line: Literal["fact"] = "fact"
    position: Annotated[int, Field(ge=1)] | None
    received_at: AwareDatetime | None
    envelope: WireEnvelope
    envelope_hash: Hash
    feed_hash: Hash | None
    is_loose: bool = False


class CheckpointLine(_Line):
    """One checkpoint that the hub signed."""

    line: Literal["checkpoint"] = "checkpoint"
    signed: SignedCheckpoint


LogLine = Annotated[Header | FactLine | CheckpointLine, Field(discriminator="line")]
_LINE: TypeAdapter[Header | FactLine | CheckpointLine] = TypeAdapter(LogLine)
_CHECKPOINTS: TypeAdapter[
    WitnessedCheckpoint | SignedCheckpoint | tuple[WitnessedCheckpoint | SignedCheckpoint, ...]
] = TypeAdapter(WitnessedCheckpoint | SignedCheckpoint | tuple[WitnessedCheckpoint | SignedCheckpoint, ...])


class NotALog(Exception):
    """A line of the file is none of ours; the message says which."""


def read_lines(lines: Iterable[str]) -> Iterator[Header | FactLine | CheckpointLine]:
    """The lines of an exported log. Raises NotALog."""
    for number, text in enumerate(lines, start=1):
        if not text.strip():
            continue
        try:
            yield _LINE.validate_json(text)
        except ValidationError as wrong:
            raise NotALog(f"line {number}: {wrong.error_count()} members are wrong") from None


def read_checkpoints(text: str) -> tuple[SignedCheckpoint, ...]:
    """Checkpoints from a file: one, a list, with or without cosignatures, or a whole exported log. Raises NotALog."""
    try:
        found = _CHECKPOINTS.validate_json(text)
    except ValidationError:
        return tuple(
            line.signed for line in read_lines(text.splitlines()) if isinstance(line, CheckpointLine)
        )
    many = found if isinstance(found, tuple) else (found,)
    return tuple(one.checkpoint if isinstance(one, WitnessedCheckpoint) else one for one in many)
