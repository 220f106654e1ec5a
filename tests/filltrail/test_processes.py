"""A child ends when asked, is killed when it does not listen, and its last words are reported."""

import sys
import time
from pathlib import Path

import pytest

from filltrail.processes import (
    CannotStart,
    Running,
    plain_environment,
    spawn,
    stop_together,
    wait_until_ready,
)

DEAF = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); print('deaf', flush=True); time.sleep(600)"


def test_a_child_that_does_not_listen_is_killed_within_the_bound(tmp_path: Path) -> None:
    children = [_child(tmp_path / f"{number}.log", DEAF) for number in range(2)]
    for child in children:
        wait_until_ready(child, lambda log=child.log: "deaf" in log.read_text())  # type: ignore[misc]  # bound per child

    before = time.monotonic()
    stop_together(children, timeout_s=0.3)

    assert time.monotonic() - before < 5
    assert [child.how_it_ended() for child in children] == ["was ended by SIGKILL"] * 2


def test_a_child_that_ends_at_once_is_reported_with_its_last_words(tmp_path: Path) -> None:
    child = _child(tmp_path / "child.log", "raise SystemExit('the key file is missing')")

    with pytest.raises(CannotStart, match=r"(?s)the shop ended with exit code 1.*the key file is missing"):
        wait_until_ready(child, lambda: False)


def test_a_child_is_stopped_when_we_are_interrupted_while_waiting_for_it(tmp_path: Path) -> None:
    child = _child(tmp_path / "child.log", "import time; time.sleep(600)")

    def interrupted() -> bool:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        wait_until_ready(child, interrupted)

    assert not child.is_running()


def _child(log: Path, program: str) -> Running:
    return Running(
        "the shop", "", log, spawn([sys.executable, "-c", program], log=log, env=plain_environment())
    )
