"""Who runs in a demo's folder: one demo at a time, and none of its programs left over from one that was killed.

Owns the file of process ids. A process is known by its id and its start time, since ids are used again.
"""

import json
import os
from collections.abc import Sequence
from pathlib import Path

import psutil
from pydantic import BaseModel, ConfigDict, TypeAdapter

from filltrail.processes import CannotGoOn, Running

LEFTOVER_TIMEOUT_S = 10.0


class AlreadyRuns(CannotGoOn):
    """Another demo runs in this folder; the message names its process."""


class Known(BaseModel):
    model_config = ConfigDict(frozen=True)

    name: str
    pid: int
    started: float


_KNOWN = TypeAdapter(list[Known])
DEMO = "the demo"


def take_folder(folder: Path) -> list[str]:
    """Make the folder ours; the names of leftovers that were ended first. Raises AlreadyRuns."""
    leftovers = end_leftovers(folder)
    hold(folder, [])
    return leftovers


def end_leftovers(folder: Path) -> list[str]:
    """End what a killed demo left running. Raises AlreadyRuns when its demo still runs."""
    known = _read(folder)
    for entry in known:
        if entry.name == DEMO and entry.pid != os.getpid() and _process(entry) is not None:
            raise AlreadyRuns(
                f"A demo already runs in {folder} (process {entry.pid}). End it with Ctrl-C first."
            )
    left = [
        (entry, process) for entry in known if (process := _process(entry)) is not None and entry.name != DEMO
    ]
    for _, process in left:
        process.terminate()
    _, stubborn = psutil.wait_procs([process for _, process in left], timeout=LEFTOVER_TIMEOUT_S)
    for process in stubborn:
        process.kill()
    return [entry.name for entry, _ in left]


def hold(folder: Path, programs: Sequence[Running]) -> None:
    """Write down who runs now."""
    us = Known(name=DEMO, pid=os.getpid(), started=psutil.Process().create_time())
    known = [us]
    for program in programs:
        try:
            started = psutil.Process(program.process.pid).create_time()
        except psutil.NoSuchProcess:
            continue
        known.append(Known(name=program.name, pid=program.process.pid, started=started))
    partial = folder / "running.partial"
    partial.write_text(json.dumps([entry.model_dump() for entry in known], indent=1))
    partial.replace(folder / "running.json")


def release(folder: Path) -> None:
    (folder / "running.json").unlink(missing_ok=True)


def is_running(folder: Path) -> bool:
    return any(entry.name == DEMO and _process(entry) is not None for entry in _read(folder))


def _read(folder: Path) -> list[Known]:
    path = folder / "running.json"
    return _KNOWN.validate_json(path.read_text()) if path.exists() else []


def _process(entry: Known) -> psutil.Process | None:
    try:
        process = psutil.Process(entry.pid)
        # Start times are read back from a clock of hundredths of a second.
        same = abs(process.create_time() - entry.started) < 0.5 and process.status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return None
    return process if same else None
