"""Where everything of the demo lies and listens: folders, ports, and each program's command and environment.

Owns the contract with the services' command lines: the words after `python -m NAME` and the variables they
read. A service is only ever started as a program; none is imported here.
"""

import subprocess
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from filltrail.cast import Cast
from filltrail.processes import LOOPBACK, CannotGoOn, is_port_taken, plain_environment

DEFAULT_BASE_PORT = 8700
MOST_SHOPS = 8
COMMAND_TIMEOUT_S = 60.0


class CommandFailed(CannotGoOn):
    """A service's command ended badly; the message holds the command and what it said."""


class PortsTaken(CannotGoOn):
    """Some of the ports are in use; the message names each and what wanted it."""


@dataclass(frozen=True)
class Ports:
    base: int

    @property
    def hub(self) -> int:
        return self.base

    def shop(self, index: int) -> int:
        return self.base + 1 + index

    @property
    def receipts(self) -> int:
        return self.base + 9

    @property
    def mail_page(self) -> int:
        return self.base + 10

    @property
    def smtp(self) -> int:
        return self.base + 11

    @property
    def postgres(self) -> int:
        return self.base + 12

    @property
    def valkey(self) -> int:
        return self.base + 13


@dataclass(frozen=True)
class Layout:
    """One demo: its folder, its first port, its people."""

    folder: Path
    story_folder: Path
    ports: Ports
    cast: Cast

    @property
    def logs(self) -> Path:
        return self.folder / "logs"

    def shop_port(self, slug: str) -> int:
        return self.ports.shop([shop.slug for shop in self.cast.shops].index(slug))

    @property
    def clock_file(self) -> Path:
        return self.folder / "clock"

    @property
    def hub_url(self) -> str:
        return f"http://{LOOPBACK}:{self.ports.hub}"

    def shop_url(self, slug: str) -> str:
        return f"http://{LOOPBACK}:{self.shop_port(slug)}"

    @property
    def mail_url(self) -> str:
        return f"http://{LOOPBACK}:{self.ports.mail_page}"

    def hub_environment(self, database_url: str, redis_url: str | None) -> dict[str, str]:
        doorbell = {"FILLTRAIL_REDIS_URL": redis_url} if redis_url else {}
        return {
            **self._environment("hub", self.ports.hub),
            "FILLTRAIL_DATABASE_URL": database_url,
            "FILLTRAIL_HUB_NAME": self.cast.network.name,
            **doorbell,
        }

    def shop_environment(self, slug: str) -> dict[str, str]:
        return {**self._environment(slug, self.shop_port(slug)), "FILLTRAIL_HUB_URL": self.hub_url}

    def receipts_environment(self) -> dict[str, str]:
        return {
            **self._environment("receipts", self.ports.receipts),
            "FILLTRAIL_HUB_URL": self.hub_url,
            "FILLTRAIL_SMTP_URL": f"smtp://{LOOPBACK}:{self.ports.smtp}",
        }

    def mailbox_environment(self) -> dict[str, str]:
        return {
            **self._environment("mail", self.ports.mail_page),
            "FILLTRAIL_SMTP_PORT": str(self.ports.smtp),
        }

    def _environment(self, name: str, port: int) -> dict[str, str]:
        return {
            **plain_environment(),
            "FILLTRAIL_DATA": str(self.folder / name),
            "FILLTRAIL_HOST": LOOPBACK,
            "FILLTRAIL_PORT": str(port),
            "FILLTRAIL_PRACTICE_CLOCK": str(self.clock_file),
            "PYTHONUNBUFFERED": "1",
        }


def refuse_taken_ports(layout: Layout) -> None:
    """Raises PortsTaken before anything has started."""
    taken = [
        f"port {port} is taken; {who} wants it" for port, who in _wanted_ports(layout) if is_port_taken(port)
    ]
    if taken:
        raise PortsTaken(
            "\n".join(taken)
            + f"\nEnd what listens there, or choose another first port: FILLTRAIL_DEMO_PORT={layout.ports.base + 1000} make demo"
        )


def _wanted_ports(layout: Layout) -> Iterator[tuple[int, str]]:
    ports = layout.ports
    yield ports.hub, "the network"
    for shop in layout.cast.shops:
        yield layout.shop_port(shop.slug), f"the shop {shop.name}"
    yield ports.receipts, "the receipts worker"
    yield ports.mail_page, "the page of caught mail"
    yield ports.smtp, "the mail catcher"
    yield ports.postgres, "PostgreSQL"
    yield ports.valkey, "Valkey"


def attempt(
    service: str, *words: str, env: Mapping[str, str], said: str = ""
) -> subprocess.CompletedProcess[str]:
    """One command of a service to its end, however it ends. Raises CommandFailed only when it does not end."""
    try:
        return subprocess.run(
            [sys.executable, "-m", service, *words],
            env=env,
            input=said,
            capture_output=True,
            text=True,
            timeout=COMMAND_TIMEOUT_S,
            check=False,
        )
    except subprocess.TimeoutExpired as failure:
        raise CommandFailed(
            f"`{service} {words[0]}` did not end within {COMMAND_TIMEOUT_S:.0f} s"
        ) from failure


def run(service: str, *words: str, env: Mapping[str, str], said: str = "") -> str:
    """What a command of a service prints, given `said` on its standard input; raises CommandFailed with what it said when it ends badly."""
    answer = attempt(service, *words, env=env, said=said)
    if answer.returncode != 0:
        output = f"{answer.stdout}{answer.stderr}".strip()
        raise CommandFailed(f"`{service} {words[0]}` ended with exit code {answer.returncode}:\n{output}")
    return answer.stdout


def last_line(output: str) -> str:
    """The one line that a command prints for a program to read."""
    lines = [line.strip() for line in output.splitlines() if line.strip()]
    if not lines:
        raise CommandFailed("a command printed nothing where one line was expected")
    return lines[-1]
