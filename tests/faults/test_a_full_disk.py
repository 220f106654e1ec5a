"""A disk that is full or read-only: what cannot be recorded is not filled, nothing is half-written, and it goes on when there is room.

Two ways to be full. A small file system in memory, where this machine lets us mount one, gives the real ENOSPC to the
database and spares the log. A limit on the size of files (RLIMIT_FSIZE; the write ends in EFBIG, which SQLite takes for
a failing disk) works everywhere that Linux does, and stops the program's own log as well.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import httpx
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.faults.a_shop_program import Counter, make_counter
from tests.journeys.visits import Taken, new_key

from filltrail.processes import free_port

pytestmark = [pytest.mark.wire, pytest.mark.slow]

MOST_COMMANDS = 150
"""So many are enough to use up what the database had set aside before the disk was full."""


def counter_alone(folder: Path) -> Counter:
    """A shop that heard its hub a moment ago, and now nobody answers there."""
    nowhere = f"http://127.0.0.1:{free_port()}"
    return make_counter(folder, Ed25519PrivateKey.generate(), nowhere, heard=True)


@contextmanager
def mounted(folder: Path, *options: str) -> Iterator[None]:
    """Something mounted at the folder. Skips where that is not allowed."""
    asked = subprocess.run(
        ["mount", *options, str(folder)], capture_output=True, text=True, timeout=20, check=False
    )
    if asked.returncode != 0:
        pytest.skip(f"nothing can be mounted here: {asked.stderr.strip()}")
    try:
        yield
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], timeout=20, check=True)


@contextmanager
def small_file_system(counter: Counter) -> Iterator[Callable[[bool], None]]:
    """The shop's folder lies in 4 MiB of memory; `full` fills what is left of them, or frees it."""
    folder = counter.database.parent
    kept = shutil.copytree(folder, folder.with_name("kept"))
    with mounted(folder, "-t", "tmpfs", "-o", "size=4m,mode=0700", "tmpfs"):
        shutil.copytree(kept, folder, dirs_exist_ok=True)
        counter.program.start()

        def full(is_full: bool) -> None:
            ballast = folder / "ballast"
            ballast.unlink(missing_ok=True)
            with suppress(OSError), ballast.open("wb", buffering=0) as file:
                while is_full:
                    file.write(bytes(4096))

        try:
            yield full
        finally:
            counter.stop()


@contextmanager
def limited_files(counter: Counter) -> Iterator[Callable[[bool], None]]:
    """No file of the program may grow, or be written to at all, while it is full."""
    counter.program.start()

    def full(is_full: bool) -> None:
        _, hard = resource.prlimit(counter.pid, resource.RLIMIT_FSIZE)
        resource.prlimit(counter.pid, resource.RLIMIT_FSIZE, (0 if is_full else hard, hard))

    try:
        yield full
    finally:
        counter.stop()


@pytest.mark.skipif(
    not hasattr(resource, "prlimit"), reason="limits of another process are set on Linux only"
)
@pytest.mark.parametrize(
    "disk", [small_file_system, limited_files], ids=["no space left", "no write goes through"]
)
def test_what_cannot_be_recorded_is_not_filled_and_it_goes_on_when_there_is_room(
    disk: Callable[[Counter], Iterator[Callable[[bool], None]]], tmp_path: Path
) -> None:
    lantern = counter_alone(tmp_path)
    with disk(lantern) as full:  # type: ignore[attr-defined]  # each is a context manager
        taken = lantern.take()
        full(True)
        name, fields, key, answer = until_it_cannot_be_recorded(lantern, taken)
        before = lantern.ids()
        assert answer.status_code == 500
        assert "Do not fill" in answer.json()["detail"]
        page = lantern.tablet().http.get("/", headers={"accept": "text/html"})
        assert page.status_code in (200, 500)
        assert taken.tablet.send(name, key=key, **fields()).status_code == 500
        assert lantern.ids() == before
        assert str(key) not in before
        full(False)
        again = taken.tablet.send(name, key=key, **fields())
        assert again.status_code == 200, again.text
        assert not again.json()["is_repeat"]
        assert lantern.ids().count(str(key)) == 1
        assert lantern.fill() != []
        assert lantern.program.report()["problems"] == []


def until_it_cannot_be_recorded(
    lantern: Counter, taken: Taken
) -> tuple[str, Callable[[], dict[str, object]], object, httpx.Response]:
    """Cylinder after cylinder, up to a command that the disk does not take: its name, fields, key and answer."""
    sent = 0
    while sent < MOST_COMMANDS:
        for name, fields in taken.commands():
            key, sent = new_key(), sent + 1
            answer = taken.tablet.send(name, key=key, **fields())
            if answer.status_code != 200:
                return name, fields, key, answer
            taken.note(answer.json())
        taken = lantern.take()
    raise AssertionError("the disk was never full")


def serve_again(counter: Counter) -> subprocess.CompletedProcess[str]:
    """The program once more on the same folder; it has to end by itself."""
    return subprocess.run(
        [sys.executable, "-m", "branch", "serve"],
        env={**counter.program.env, "FILLTRAIL_PORT": str(free_port()), "COLUMNS": "500"},
        cwd="/", capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


def test_a_second_program_on_one_folder_does_not_begin(tmp_path: Path) -> None:
    lantern = counter_alone(tmp_path)
    lantern.program.start()
    try:
        second = serve_again(lantern)
        assert second.returncode == 1
        assert "another process of this node is running" in " ".join(second.stderr.split())
        assert lantern.fill() != []
    finally:
        lantern.stop()


def test_a_shop_whose_folder_is_read_only_does_not_begin_and_says_so(tmp_path: Path) -> None:
    lantern = counter_alone(tmp_path)
    with read_only(lantern.database.parent):
        ended = serve_again(lantern)
    assert ended.returncode == 1
    assert "cannot be written" in " ".join(ended.stderr.split())
    assert "Traceback" not in ended.stderr
    lantern.program.start()
    assert lantern.fill() != []
    lantern.stop()


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """Root writes past permissions: for it the folder is mounted over itself, read-only."""
    if os.geteuid() != 0:
        modes = {path: path.stat().st_mode for path in (folder, *folder.iterdir())}
        for path, mode in modes.items():
            path.chmod(mode & ~0o222)
        yield
        for path, mode in modes.items():
            path.chmod(mode)
        return
    with mounted(folder, "--bind", str(folder)):
        subprocess.run(["mount", "-o", "remount,bind,ro", str(folder)], timeout=20, check=True)
        yield
