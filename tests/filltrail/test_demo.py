"""The demo as a person uses it: one command, real servers, real services, a story through the front door."""

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from email import message_from_bytes
from pathlib import Path

import psutil
import pytest
from tests.filltrail.free_ports import free_base_port

from filltrail.processes import is_port_taken, plain_environment

ROOT = Path(__file__).resolve().parents[2]
TIMEOUT_S = 280

pytestmark = [pytest.mark.wire, pytest.mark.slow, pytest.mark.timeout(TIMEOUT_S + 20)]


@dataclass(frozen=True)
class Told:
    """A demo that was started, told its story and stopped."""

    folder: Path
    story: Path
    base_port: int
    first_start: str = ""

    def environment(self) -> dict[str, str]:
        return {
            **plain_environment(),
            "FILLTRAIL_DEMO_DIR": str(self.folder),
            "FILLTRAIL_DEMO_PORT": str(self.base_port),
            "COLUMNS": "120",
        }

    def filltrail(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "filltrail", *words],
            env=self.environment(),
            capture_output=True,
            text=True,
            timeout=TIMEOUT_S,
            check=False,
        )


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Told]:
    story = tmp_path_factory.mktemp("story")
    shutil.copy(ROOT / "demo_data" / "network.toml", story)
    shutil.copy(Path(__file__).with_name("story") / "story.toml", story)
    demo = Told(tmp_path_factory.mktemp("demo") / "data", story, free_base_port())
    started = demo.filltrail("demo", "--once", "--story", str(story))
    assert started.returncode == 0, started.stdout + started.stderr
    yield Told(demo.folder, story, demo.base_port, started.stdout)
    demo.filltrail("demo-reset")


def test_the_story_is_told_and_everybody_is_introduced(told: Told) -> None:
    assert "The story is told" in told.first_start
    for shown in (
        "Lantern Cove",
        "Gannet Stairs",
        "Saltings Basin",
        f"127.0.0.1:{told.base_port + 2}",
        "PIN 471926",
    ):
        assert shown in told.first_start


def test_the_receipt_of_the_hand_over_was_caught(told: Told) -> None:
    mails = [message_from_bytes(path.read_bytes()) for path in (told.folder / "mail").glob("*.eml")]

    assert [mail["to"] for mail in mails if "marit.halloran@example.org" in mail["to"]] != []


def test_all_nodes_end_with_the_same_digests(told: Told) -> None:
    answer = told.filltrail("verify", "--wait", "30")

    assert answer.returncode == 0, answer.stdout + answer.stderr
    assert "All nodes know the same." in answer.stdout


def test_a_second_start_keeps_the_data_reports_a_killed_program_and_stops_at_ctrl_c(told: Told) -> None:
    before = (told.folder / "told.json").read_text()
    with subprocess.Popen(
        [sys.executable, "-m", "filltrail", "demo", "--story", str(told.story)],
        env=told.environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as demo:
        said = _read_until(demo, "Everything is up")
        running = json.loads((told.folder / "running.json").read_text())
        [hub] = [entry["pid"] for entry in running if entry["name"] == "the network"]
        os.kill(hub, signal.SIGKILL)
        report = _read_until(demo, "was ended by SIGKILL")
        others = [entry["pid"] for entry in running if entry["pid"] not in (hub, demo.pid)]
        still_up = [pid for pid in others if psutil.pid_exists(pid)]

        demo.send_signal(signal.SIGINT)
        said_last, _ = demo.communicate(timeout=60)

    assert "First start" not in said
    assert "the network was ended by SIGKILL" in report
    assert still_up == others
    assert demo.returncode == 0, said_last
    assert "Stopped. The data stays" in said_last
    assert [pid for pid in others if psutil.pid_exists(pid)] == []
    assert [port for port in range(told.base_port, told.base_port + 14) if is_port_taken(port)] == []
    assert (told.folder / "told.json").read_text() == before


def test_a_reset_leaves_nothing(told: Told, tmp_path: Path) -> None:
    other = Told(tmp_path / "other", told.story, told.base_port)
    other.folder.mkdir()
    (other.folder / "told.json").write_text("{}")

    assert other.filltrail("demo-reset").returncode == 0

    assert not other.folder.exists()
    assert told.folder.exists()


def _read_until(demo: "subprocess.Popen[str]", words: str) -> str:
    assert demo.stdout is not None
    said = ""
    for line in demo.stdout:
        said += line
        if words in line:
            return said
    raise AssertionError(f"the demo ended without saying {words!r}:\n{said}")
