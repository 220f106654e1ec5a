"""A practice network goes by a moved clock, says so, and no other network can be moved."""

import datetime as dt
import subprocess
import sys
from pathlib import Path

import pytest

from eventlog.practice import PRACTICE_CLOCK, NoPracticeClock, clock_of
from filltrail.processes import plain_environment

NOON = dt.datetime(2026, 3, 14, 12, tzinfo=dt.UTC)


def test_without_the_variable_the_clock_is_the_wall_clock_and_no_practice(tmp_path: Path) -> None:
    clock = clock_of({}, lambda: NOON)

    assert clock.now() == NOON
    assert not clock.is_practice


def test_the_clock_is_moved_by_what_the_file_says_at_each_look(tmp_path: Path) -> None:
    file = tmp_path / "clock"
    file.write_text("-86400\n")
    clock = clock_of({PRACTICE_CLOCK: str(file)}, lambda: NOON)

    assert clock.is_practice
    assert clock.now() == NOON - dt.timedelta(days=1)
    for seconds in (-3600, -60, 0):
        partial = tmp_path / "partial"
        partial.write_text(str(seconds))
        partial.replace(file)
        assert clock.now() == NOON + dt.timedelta(seconds=seconds)


@pytest.mark.parametrize("content", ["", "soon", "1.5", "9" * 4000])
def test_a_file_that_holds_no_whole_number_of_seconds_is_an_error(tmp_path: Path, content: str) -> None:
    file = tmp_path / "clock"
    file.write_text(content)
    with pytest.raises(NoPracticeClock, match=PRACTICE_CLOCK):
        clock_of({PRACTICE_CLOCK: str(file)}, lambda: NOON)


def test_a_clock_whose_file_is_gone_tells_no_time_rather_than_another(tmp_path: Path) -> None:
    file = tmp_path / "clock"
    file.write_text("-60")
    clock = clock_of({PRACTICE_CLOCK: str(file)}, lambda: NOON)
    file.unlink()
    with pytest.raises(NoPracticeClock):
        clock.now()


@pytest.mark.parametrize("service", ["branch", "network", "receipts"])
def test_a_program_whose_practice_clock_is_missing_does_not_begin(tmp_path: Path, service: str) -> None:
    ended = subprocess.run(
        [sys.executable, "-m", service, "verify"],
        env={**plain_environment(), PRACTICE_CLOCK: str(tmp_path / "none")},
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ended.returncode == 1
    assert PRACTICE_CLOCK in ended.stderr
    assert list(tmp_path.iterdir()) == []
