"""The clock of a network that is set up for practice: the real one, moved by what a file says.

For a story that took years and is told in a minute. Owns how the file is read. Must never touch the clock of a
network that did not ask for it, and never read the real clock itself: it is handed one.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

PRACTICE_CLOCK = "FILLTRAIL_PRACTICE_CLOCK"
"""The variable that names the file. A program that finds it set marks every page it shows as practice."""

WARNING = "practice clock: times are moved by a file, and nothing here is a real cylinder"
"""What such a program logs when it begins to serve."""

MOST_DIGITS = 12


class NoPracticeClock(ValueError):
    """The file is not there, or does not hold a whole number of seconds."""


@dataclass(frozen=True, slots=True)
class Clock:
    """The time that a program goes by, and whether it is one for practice."""

    now: Callable[[], dt.datetime]
    is_practice: bool = False


def clock_of(environment: Mapping[str, str], wall: Callable[[], dt.datetime]) -> Clock:
    """The wall clock; with FILLTRAIL_PRACTICE_CLOCK set, moved by that file, read again whenever it has changed.

    Raises NoPracticeClock when the variable names no such file.
    """
    named = environment.get(PRACTICE_CLOCK)
    if not named:
        return Clock(wall)
    moved = _Moved(Path(named), wall)
    return Clock(moved.now, is_practice=True)


class _Moved:
    """A wall clock with seconds added to it."""

    def __init__(self, path: Path, wall: Callable[[], dt.datetime]) -> None:
        self._path = path
        self._wall = wall
        self._seen = (0, 0)
        self._added = dt.timedelta(0)
        self._look()

    def now(self) -> dt.datetime:
        """The wall clock, moved. Raises NoPracticeClock: a program without its clock must not fall back on another."""
        self._look()
        return self._wall() + self._added

    def _look(self) -> None:
        try:
            found = self._path.stat()
            # A file that is replaced is another file, even within one tick of the file system's clock.
            seen = (found.st_ino, found.st_mtime_ns)
            if seen != self._seen:
                self._added = dt.timedelta(seconds=_seconds(self._path.read_text()))
                self._seen = seen
        except (OSError, ValueError) as wrong:
            raise NoPracticeClock(f"{PRACTICE_CLOCK}={self._path}: {wrong}") from wrong


def _seconds(text: str) -> int:
    if len(text.strip()) > MOST_DIGITS:
        raise ValueError("more digits than a practice clock can be moved by")
    return int(text)
