"""The real things that tests lean on: PostgreSQL, a Redis-compatible server, Chromium.

A server is, in this order: the one an environment variable names, a container where a Docker engine
answers, the one from the wheels that the demo uses as well. Chromium is found where it is; without it the
journeys are skipped, and the last lines of the run say so loudly.
"""

import os
import shutil
import subprocess
import sys
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

import psycopg
import pytest
from hypothesis import settings

from filltrail import processes, servers

# As a shop's node loads the gas engine: a sixth of the time. No test asks for a liquid.
os.environ.setdefault("COOLPROP_DISABLE_SUPERANCILLARIES_ENTIRELY", "1")

# A busy machine is no failure: examples are bounded in number, not in time.
settings.register_profile("filltrail", deadline=None)
settings.load_profile("filltrail")

CHROMIUM_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
MAC_CHROME = Path("/Applications/Google Chrome.app/Contents/MacOS/Google Chrome")
NO_CHROMIUM = "no Chromium on this machine"

create_database = "create database {name} template template0"
drop_database = "drop database {name} with (force)"


@pytest.fixture(scope="session")
def postgres_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A superuser's URL of a real PostgreSQL; use `fresh_database` to write into it."""
    given = os.environ.get("FILLTRAIL_TEST_DATABASE_URL")
    if given:
        yield given
    elif _docker_answers():
        from testcontainers.postgres import PostgresContainer

        with PostgresContainer("postgres:18", driver=None) as container:
            yield container.get_connection_url()
    else:
        folder = tmp_path_factory.mktemp("postgres")
        server = servers.start_postgres(folder, port=processes.free_port())
        yield server.url
        server.stop()
        servers.forget_servers(folder)


@pytest.fixture(scope="session")
def redis_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A real server that speaks the Redis protocol; shared, so choose keys and channels of your own."""
    given = os.environ.get("FILLTRAIL_TEST_REDIS_URL")
    if given:
        yield given
    elif _docker_answers():
        from testcontainers.redis import RedisContainer

        with RedisContainer("valkey/valkey:8") as container:
            yield f"redis://{container.get_container_host_ip()}:{container.get_exposed_port(6379)}/0"
    else:
        server = servers.start_valkey(tmp_path_factory.mktemp("valkey"), port=processes.free_port())
        yield server.url
        server.stop()


@contextmanager
def new_database(postgres_url: str) -> Iterator[str]:
    """The URL of a new, empty database, dropped afterwards whoever is still connected."""
    name = f"filltrail_test_{uuid.uuid4().hex}"
    with psycopg.connect(postgres_url, autocommit=True, connect_timeout=10) as connection:
        connection.execute(create_database.format(name=name).encode())
    yield urlunsplit(urlsplit(postgres_url)._replace(path=f"/{name}"))
    with psycopg.connect(postgres_url, autocommit=True, connect_timeout=10) as connection:
        connection.execute(drop_database.format(name=name).encode())


@pytest.fixture
def fresh_database(postgres_url: str) -> Iterator[str]:
    """A database of the test's own."""
    with new_database(postgres_url) as url:
        yield url


@pytest.fixture(scope="session")
def chromium_path() -> str:
    """Where Chromium is; FILLTRAIL_CHROMIUM names another one. Skips when there is none."""
    given = os.environ.get("FILLTRAIL_CHROMIUM")
    found = given or next(filter(None, map(shutil.which, CHROMIUM_NAMES)), None)
    if found is None and MAC_CHROME.exists():
        found = str(MAC_CHROME)
    if found is None:
        pytest.skip(NO_CHROMIUM)
    return found


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest files first, or the last worker is left alone with a journey while the others have nothing."""
    heaviest: dict[Path, int] = {}
    for item in items:
        heaviest[item.path] = max(heaviest.get(item.path, 0), _weight(item))
    items.sort(key=lambda item: -heaviest[item.path])


def _weight(item: pytest.Item) -> int:
    if item.get_closest_marker("slow"):
        return 4 if "journeys" in item.path.parts else 3
    if item.get_closest_marker("browser"):
        return 2
    return 1 if item.get_closest_marker("wire") else 0


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    missed = [
        report for report in terminalreporter.getreports("skipped") if NO_CHROMIUM in str(report.longrepr)
    ]
    if missed:
        terminalreporter.section("JOURNEYS DID NOT RUN", sep="!", red=True, bold=True)
        terminalreporter.line(
            f"{len(missed)} tests need a browser and {NO_CHROMIUM} was found. Install Chromium, or name it in "
            "FILLTRAIL_CHROMIUM, and run again: this run says nothing about the pages.",
            red=True,
            bold=True,
        )


def _docker_answers() -> bool:
    # In a process of its own: the client leaves its socket open when no engine answers, and here a
    # warning is an error.
    asked = [sys.executable, "-c", "import docker; docker.from_env(timeout=3).ping()"]
    try:
        return subprocess.run(asked, check=False, capture_output=True, timeout=20).returncode == 0
    except subprocess.TimeoutExpired:
        return False
