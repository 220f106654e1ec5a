"""A log line that cannot be written is lost, and nothing else is."""

from __future__ import annotations

import subprocess
import sys

import pytest

TWO_LINES = """
import structlog
from network.logs import set_up_logs
set_up_logs()
for number in range(2):
    structlog.get_logger("network").warning("tried", number=number)
print("went on")
"""


@pytest.mark.parametrize("stderr", ["2>/dev/full", "2>&-", "2</dev/null"])
def test_work_goes_on_when_its_log_cannot_be_written(stderr: str) -> None:
    ran = _run(f'exec "$0" -c "$1" {stderr}')
    assert ran.stdout == "went on\n"


def test_work_goes_on_when_its_log_was_closed_under_it() -> None:
    closed = TWO_LINES.replace("for number", "import sys; sys.stderr.close()\nfor number")
    ran = _run('exec "$0" -c "$1"', closed)
    assert ran.stdout == "went on\n"


def test_a_log_that_can_be_written_gets_every_line() -> None:
    ran = _run('exec "$0" -c "$1"')
    assert [line.count('"tried"') for line in ran.stderr.splitlines()] == [1, 1]


def _run(line: str, program: str = TWO_LINES) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["/bin/sh", "-c", line, sys.executable, program],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
