"""The clock that the demo's programs go by while they are told a story: years pass in a minute, and it ends at now.

Owns the file that FILLTRAIL_PRACTICE_CLOCK names. Must never turn it back while a program runs, nor ahead of the
real time.
"""

import datetime as dt
from collections.abc import Callable
from pathlib import Path

from filltrail.story import is_later_by, time_of


class StoryClock:
    """`today` is the day that the story's days are counted from; `wall` is the real time, in the network's zone."""

    def __init__(self, file: Path, *, today: dt.date, wall: Callable[[], dt.datetime]) -> None:
        self._file = file
        self._today = today
        self._wall = wall

    @property
    def today(self) -> dt.date:
        """The day that the story's days and months are counted from."""
        return self._today

    @property
    def is_set(self) -> bool:
        """Whether programs have gone by it before."""
        return self._file.exists()

    @property
    def is_now(self) -> bool:
        """Whether it shows the real time."""
        return self._added_s() == 0

    def now(self) -> dt.datetime:
        """The story's own time."""
        return self._wall() + dt.timedelta(seconds=self._added_s())

    def day(self) -> dt.date:
        """The day by the story's own time."""
        return self.now().date()

    def wall_day(self) -> dt.date:
        """The real day."""
        return self._wall().date()

    def begin(self, at: str) -> None:
        """Before any program runs: where the first step of a story will find it."""
        self._set(time_of(at, today=self._today, now=self._wall()))

    def resume(self, told_until: dt.datetime) -> None:
        """Before any program runs: a story that was broken off goes on at the time it had reached."""
        self._set(told_until)

    def move_to(self, at: str) -> None:
        """Forwards only: a time that has passed already is now."""
        then = time_of(at, today=self._today, now=self.now() if is_later_by(at) else self._wall())
        if then > self.now():
            self._set(then)

    def end(self) -> None:
        """From here on it shows the real time."""
        self._write(0)

    def _set(self, then: dt.datetime) -> None:
        self._write(min(0, int((then - self._wall()).total_seconds())))

    def _added_s(self) -> int:
        return int(self._file.read_text()) if self._file.exists() else 0

    def _write(self, seconds: int) -> None:
        self._file.parent.mkdir(parents=True, exist_ok=True)
        partial = self._file.with_suffix(".partial")
        partial.write_text(f"{seconds}\n")
        partial.replace(self._file)
