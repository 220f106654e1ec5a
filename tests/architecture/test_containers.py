"""The compose file and the image speak of programs, variables and extras that exist.

No engine is needed: the files are read. That the containers really run together is not shown here.
"""

import re
import tomllib
from pathlib import Path

import pytest
import yaml

ROOT = Path(__file__).resolve().parents[2]
COMPOSE = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
OURS = {name: service for name, service in COMPOSE["services"].items() if "build" in service}
FOREIGN = {name: service for name, service in COMPOSE["services"].items() if "build" not in service}
DOCKERFILE = (ROOT / "infra" / "Dockerfile").read_text()


def test_the_whole_network_is_there() -> None:
    assert set(OURS) >= {"network", "lantern", "gannet", "receipts", "mailbox"}
    assert set(FOREIGN) == {"postgres", "valkey"}


@pytest.mark.parametrize("name", OURS)
def test_every_image_of_ours_is_built_for_an_extra_that_exists(name: str) -> None:
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    build = OURS[name]["build"]

    assert build["args"]["SERVICE"] in extras
    assert (ROOT / build["dockerfile"]).is_file()
    assert OURS[name]["command"][0] == build["args"]["SERVICE"]


@pytest.mark.parametrize("name", OURS)
def test_every_variable_is_one_that_a_program_reads(name: str) -> None:
    sources = "".join(path.read_text() for path in (ROOT / "services").rglob("*.py"))
    for variable in OURS[name].get("environment", {}):
        assert f'"{variable}"' in sources, variable


@pytest.mark.parametrize("name", OURS)
def test_no_program_of_ours_may_gain_rights_or_write_outside_its_data(name: str) -> None:
    service = OURS[name]

    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert "no-new-privileges:true" in service["security_opt"]


@pytest.mark.parametrize("name", COMPOSE["services"])
def test_nothing_is_published_beyond_this_machine(name: str) -> None:
    for published in COMPOSE["services"][name].get("ports", []):
        assert published.startswith("127.0.0.1:"), published


@pytest.mark.parametrize("name", FOREIGN)
def test_a_foreign_image_is_pinned_and_watched(name: str) -> None:
    assert re.search(r":\d+\.\d+", FOREIGN[name]["image"])
    assert FOREIGN[name]["healthcheck"]["test"]


def test_our_image_is_pinned_checked_by_hash_watched_and_not_root() -> None:
    assert re.search(r"PYTHON_IMAGE=python:\d+\.\d+\.\d+-slim", DOCKERFILE)
    assert "--require-hashes" in DOCKERFILE
    assert "HEALTHCHECK" in DOCKERFILE
    assert DOCKERFILE.rindex("USER filltrail") > DOCKERFILE.rindex("FROM ")


def test_no_secret_is_written_down() -> None:
    text = (ROOT / "docker-compose.yml").read_text()
    for line in text.splitlines():
        if "PASSWORD:" in line:
            assert "${POSTGRES_PASSWORD:?" in line
