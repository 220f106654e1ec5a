"""One demo in a folder at a time; what a killed one left running is ended by the next."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from filltrail import leash
from filltrail.processes import Running, plain_environment, spawn

FOREVER = [sys.executable, "-c", "import time; time.sleep(600)"]


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Running]:
    log = tmp_path / "program.log"
    running = Running("a shop", "", log, spawn(FOREVER, log=log, env=plain_environment()))
    yield running
    running.stop()


def test_a_second_demo_is_refused_while_the_first_runs(tmp_path: Path) -> None:
    hold_in_another_process = f"""
import sys, time
from pathlib import Path
from filltrail import leash
leash.take_folder(Path({str(tmp_path)!r}))
print("held", flush=True)
time.sleep(600)
"""
    with subprocess.Popen([sys.executable, "-c", hold_in_another_process], stdout=subprocess.PIPE) as first:
        try:
            assert first.stdout is not None
            assert first.stdout.readline() == b"held\n"
            assert leash.is_running(tmp_path)
            with pytest.raises(leash.AlreadyRuns, match=str(first.pid)):
                leash.take_folder(tmp_path)
        finally:
            first.kill()

    assert not leash.is_running(tmp_path)
    assert leash.take_folder(tmp_path) == []


def test_what_a_killed_demo_left_behind_is_ended(tmp_path: Path, program: Running) -> None:
    leash.hold(tmp_path, [program])

    assert leash.end_leftovers(tmp_path) == ["a shop"]

    assert not program.is_running()


def test_a_stranger_with_an_old_process_id_is_left_alone(tmp_path: Path, program: Running) -> None:
    leash.hold(tmp_path, [program])
    known = (tmp_path / "running.json").read_text()
    # The same id, but a process that started at another time.
    started = next(entry.started for entry in leash._read(tmp_path) if entry.name == "a shop")
    (tmp_path / "running.json").write_text(known.replace(str(started), str(started - 1000)))

    assert leash.end_leftovers(tmp_path) == []
    assert program.is_running()
