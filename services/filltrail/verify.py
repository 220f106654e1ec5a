"""Whole logs checked offline: an exported log here, a shop's database by the branch's own program.

Owns telling the two apart, and the lines that a person reads. Must never call whole what it could not read.
"""

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from pydantic import BaseModel, ConfigDict, ValidationError

from cylinder.gather import Filed
from cylinder.recorded import origin_of, recorded
from cylinder.standing import digest
from eventlog.envelope import Malformed, read
from eventlog.keys import key_id, public_key
from eventlog.log_file import CheckpointLine, FactLine, Header, NotALog, read_checkpoints, read_lines
from eventlog.whole_log import Held, Said, Shown, Trust, check
from filltrail.layout import attempt
from filltrail.processes import CannotGoOn

SQLITE_BEGINS = b"SQLite format 3\x00"


class LogReport(BaseModel):
    """What one log holds and what is wrong with it; also the shape of what `branch verify-file --json` prints."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    node: str = ""
    epoch: str = ""
    position: int = 0
    feed_hash: str = ""
    root: str = ""
    standing_digest: str = ""
    facts: int = 0
    problems: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass
class _Read:
    """What an exported log turned out to hold, line by line."""

    header: Header | None = None
    signed: list[Shown] = field(default_factory=list)
    beside: list[Held] = field(default_factory=list)
    facts: Filed = field(default_factory=Filed)


def verify_path(path: Path, *, hub_keys: Sequence[str] = (), against: Sequence[Path] = ()) -> LogReport:
    """Check one file. Raises CannotGoOn when a key or another file that was named cannot be used."""
    try:
        with path.open("rb") as file:
            is_database = file.read(len(SQLITE_BEGINS)) == SQLITE_BEGINS
    except OSError as wrong:
        return LogReport(problems=(f"file: {wrong.strerror or wrong}",))
    keys = [_key(text) for text in hub_keys]
    if is_database:
        return _by_the_branch(path, hub_keys, against)
    try:
        return _exported(path, keys, [shown for other in against for shown in _others(other)])
    except (NotALog, UnicodeDecodeError) as wrong:
        return LogReport(problems=(f"file: neither a shop's database nor an exported log: {wrong}",))


def lines_of(path: Path, report: LogReport) -> Iterator[str]:
    """The report in plain lines: one a problem, then one a note, then what was checked."""
    yield from (f"{path}: {problem}" for problem in report.problems)
    yield from (f"{path}: note: {note}" for note in report.notes)
    whole = "nothing is wrong" if not report.problems else f"{len(report.problems)} problems"
    yield (
        f"{path}: {report.facts} facts to position {report.position} of epoch {report.epoch or 'none'}, "
        f"root {report.root[:16] or 'unknown'}, standing {report.standing_digest[:16] or 'unknown'}: {whole}"
    )


def between(reports: Sequence[LogReport]) -> tuple[str, ...]:
    """Where logs of one epoch and one position differ from the first of them."""
    first_at: dict[tuple[str, int], LogReport] = {}
    lines: list[str] = []
    for report in reports:
        if not report.root:
            continue
        first = first_at.setdefault((report.epoch, report.position), report)
        for what in ("root", "standing_digest"):
            if getattr(first, what) != getattr(report, what):
                lines.append(
                    f"position {report.position}: {report.node} and {first.node} differ in {what.replace('_', ' ')}"
                )
    return tuple(lines)


def _by_the_branch(path: Path, hub_keys: Sequence[str], against: Sequence[Path]) -> LogReport:
    words = ["verify-file", str(path.resolve()), "--json"]
    for key in hub_keys:
        words += ["--hub-key", key]
    for other in against:
        words += ["--against", str(other.resolve())]
    answer = attempt("branch", *words, env=os.environ)
    try:
        return LogReport.model_validate_json(answer.stdout)
    except ValidationError:
        said = f"{answer.stdout}{answer.stderr}".strip()[-2000:]
        raise CannotGoOn(f"`branch verify-file` did not print what was expected:\n{said}") from None


def _exported(path: Path, keys: Sequence[Ed25519PublicKey], others: Sequence[Shown]) -> LogReport:
    found = _Read()
    with path.open(encoding="utf-8") as file:
        lines = read_lines(file)
        header = next(lines, None)
        if not isinstance(header, Header):
            raise NotALog("it does not begin with what a log says of itself")
        # Checkpoints stand behind the facts and have to be known before them: the file is read twice.
        found.signed = _checkpoints(path)
        pinned = list(keys) or [public_key(header.hub_public_key)]
        trust = Trust(header.hub_node, {key_id(key): (header.hub_node, key) for key in pinned})
        said = Said(header.epoch, header.position, header.feed_hash, has_every_envelope=True)
        result = check(_facts(lines, found), found.beside, said, trust, [*found.signed, *others])
    problems, notes = list(result.problems), list(result.notes)
    if not keys:
        notes.insert(
            0, "the hub's key was taken from the file itself: it proves nothing against who made the file"
        )
    folded = digest(map(found.facts.standing, found.facts.cylinders()))
    if header.standing_digest is None:
        notes.append(
            "the log says nothing of its standings: the hub had not folded them when it was exported"
        )
    elif folded != header.standing_digest:
        problems.append(f"standing: the facts give {folded[:16]}, the log says {header.standing_digest[:16]}")
    return LogReport(
        node=header.hub_node,
        epoch=header.epoch,
        position=result.position,
        feed_hash=result.feed_hash,
        root=result.edge.root.hex() if result.edge.size == result.position else "",
        standing_digest=folded,
        facts=result.facts,
        problems=tuple(problems),
        notes=tuple(notes),
    )


def _facts(lines: Iterator[Header | FactLine | CheckpointLine], found: _Read) -> Iterator[Held]:
    """The feed; what has no position is put aside for later, and every fact is filed for its standing."""
    for line in lines:
        if not isinstance(line, FactLine):
            continue
        try:
            sealed = line.envelope.sealed()
        except ValueError:
            raise NotALog(f"position {line.position}: its signature is not base64") from None
        held = Held(sealed, line.position, line.envelope_hash, line.feed_hash, line.is_loose)
        if line.position is None:
            found.beside.append(held)
            continue
        try:
            envelope = read(sealed.raw)
        except Malformed:
            pass  # The check names it.
        else:
            found.facts.put(recorded(envelope.event, origin_of(envelope.place)))
        yield held


def _checkpoints(path: Path) -> list[Shown]:
    with path.open(encoding="utf-8") as file:
        likely = (text for text in file if "checkpoint" in text)
        return [Shown(line.signed) for line in read_lines(likely) if isinstance(line, CheckpointLine)]


def _others(path: Path) -> list[Shown]:
    try:
        return [Shown(one, path.name) for one in read_checkpoints(path.read_text())]
    except (OSError, NotALog, UnicodeDecodeError) as wrong:
        raise CannotGoOn(f"{path} holds no checkpoints: {wrong}") from None


def _key(text: str) -> Ed25519PublicKey:
    try:
        return public_key(text)
    except ValueError:
        raise CannotGoOn(f"{text!r} is no public key: it is the hub's 32 bytes as base64") from None
