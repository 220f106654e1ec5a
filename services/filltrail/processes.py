"""Child processes: started in a session of their own, waited for, watched, and stopped within a bound.

Owns what a running program is to us. Must never leave one behind on a way out of its own.
"""

import contextlib
import os
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, TypeVar

LOOPBACK = "127.0.0.1"
READY_TIMEOUT_S = 30.0
STOP_TIMEOUT_S = 10.0
POLL_S = 0.05


class CannotGoOn(Exception):
    """Something outside this program is in the way; the message is for the person who started it."""


class CannotStart(CannotGoOn):
    """A program did not come up; the message says which, and ends with what it logged."""


class RunAs(NamedTuple):
    """Who a program runs as; None where that is whoever we are."""

    uid: int | None = None
    gid: int | None = None
    extra_groups: list[int] | None = None


@dataclass(frozen=True)
class Running:
    """One started program, and the URL it answers at."""

    name: str
    url: str
    log: Path
    process: subprocess.Popen[bytes]
    stop_signal: signal.Signals = signal.SIGTERM

    def is_running(self) -> bool:
        return self.process.poll() is None

    def stop(self, timeout_s: float = STOP_TIMEOUT_S) -> None:
        stop_together([self], timeout_s)

    def how_it_ended(self) -> str:
        code = self.process.poll()
        if code is None:
            return "is running"
        if code < 0:
            return f"was ended by {signal.Signals(-code).name}"
        return f"ended with exit code {code}"


def spawn(
    command: Sequence[str],
    *,
    log: Path,
    env: Mapping[str, str],
    cwd: Path = Path("/"),
    run_as: RunAs = RunAs(),  # noqa: B008  (an immutable tuple)
) -> subprocess.Popen[bytes]:
    log.parent.mkdir(parents=True, exist_ok=True)
    with log.open("ab") as log_file:
        return subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=log_file,
            stderr=subprocess.STDOUT,
            cwd=cwd,
            env=env,
            # A session of its own: the terminal's Ctrl-C reaches only us, and we stop things in order.
            start_new_session=True,
            user=run_as.uid,
            group=run_as.gid,
            extra_groups=run_as.extra_groups,
        )


def wait_until_ready(program: Running, is_ready: Callable[[], bool]) -> None:
    """Raises CannotStart, with the log's last lines, when it ends or takes too long; then it is stopped."""
    deadline = time.monotonic() + READY_TIMEOUT_S
    try:
        while time.monotonic() < deadline:
            if not program.is_running():
                raise CannotStart(
                    f"{program.name} {program.how_it_ended()} while it was starting{tail(program.log)}"
                )
            if is_ready():
                return
            time.sleep(POLL_S)
        raise CannotStart(f"{program.name} was not ready after {READY_TIMEOUT_S:.0f} s{tail(program.log)}")
    except BaseException:
        # Also when we are told to stop in the middle of it: nobody else knows this program yet.
        program.stop()
        raise


def answers_ok(url: str) -> bool:
    """Whether a GET of this URL answers 200 within a second."""
    try:
        with urllib.request.urlopen(url, timeout=1) as answer:
            return bool(answer.status == 200)
    except (OSError, urllib.error.HTTPError, ValueError):
        return False


def stop_together(programs: Sequence[Running], timeout_s: float = STOP_TIMEOUT_S) -> None:
    """Ask all of them to end, wait for all within one bound, and kill those that did not."""
    for program in programs:
        if program.is_running():
            program.process.send_signal(program.stop_signal)
    deadline = time.monotonic() + timeout_s
    for program in programs:
        with contextlib.suppress(subprocess.TimeoutExpired):
            program.process.wait(max(0.0, deadline - time.monotonic()))
    for program in programs:
        if program.is_running():
            program.process.kill()
            program.process.wait(timeout_s)


Item = TypeVar("Item")
Result = TypeVar("Result")


def together(work: Callable[[Item], Result], items: Iterable[Item]) -> list[Result]:
    """The same work for each, a few at once: starting a program costs a second of one core. All end before it returns."""
    with ThreadPoolExecutor(max_workers=max(2, os.cpu_count() or 1)) as crew:
        return list(crew.map(work, items))


def tail(log: Path, lines: int = 12) -> str:
    if not log.exists():
        return ""
    last = log.read_text(errors="replace").splitlines()[-lines:]
    return f". The last lines of {log}:\n" + "\n".join(f"  {line}" for line in last)


def free_port() -> int:
    """A port nobody listens on at this moment."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind((LOOPBACK, 0))
        port: int = probe.getsockname()[1]
    return port


def is_port_taken(port: int) -> bool:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        # A port whose last connections are still dying down can be listened on again.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((LOOPBACK, port))
        except OSError:
            return True
    return False


def plain_environment() -> dict[str, str]:
    """Ours, without the variables of another set-up: nothing of the person's own may redirect a child."""
    return {name: value for name, value in os.environ.items() if not name.startswith(("PG", "FILLTRAIL_"))}
