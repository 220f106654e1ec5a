"""Every import contract of pyproject.toml is proven able to fail: a copy of the tree with one bad line must break it."""

import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CONTRACTS = {
    contract["id"]: contract["name"]
    for contract in tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
}

# Contract, the module that misbehaves, its bad line. The module is made where it does not exist.
PLANTED = [
    ("services-apart", "services/branch/planted.py", "import network"),
    ("services-apart", "services/filltrail/planted.py", "import branch"),
    ("layers", "libs/eventlog/planted.py", "import cylinder"),
    ("layers", "libs/gas/planted.py", "import cylinder"),
    ("layers", "libs/signage/planted.py", "import branch"),
    ("pure-libs", "libs/cylinder/planted.py", "import time"),
    ("pure-libs", "libs/rulebook/planted.py", "from fastapi import FastAPI"),
    ("sync-core", "libs/sync/planted.py", "import sqlite3"),
    ("sync-core", "libs/sync/planted.py", "from cylinder.standing import Standing"),
    ("stores-only", "services/branch/planted.py", "from eventsourcing.sqlite import SQLiteRecorder"),
    ("stores-only", "services/network/planted.py", "import eventsourcing.postgres"),
    ("no-servers-at-the-shop", "services/branch/planted.py", "import psycopg"),
    ("no-servers-at-the-shop", "services/receipts/planted.py", "import redis"),
]


@pytest.fixture
def copied_tree(tmp_path: Path) -> Path:
    for folder in ("libs", "services"):
        shutil.copytree(ROOT / folder, tmp_path / folder, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def test_the_tree_keeps_every_contract(copied_tree: Path) -> None:
    exit_code, said = _lint(copied_tree)

    assert exit_code == 0, said
    assert [name for name in CONTRACTS.values() if f"{name} KEPT" not in said] == []


@pytest.mark.parametrize(("contract", "module", "line"), PLANTED)
def test_a_planted_violation_breaks_its_contract(
    copied_tree: Path, contract: str, module: str, line: str
) -> None:
    (copied_tree / module).write_text(f"{line}\n")

    exit_code, said = _lint(copied_tree, "--contract", contract)

    assert exit_code == 1, said
    assert f"{CONTRACTS[contract]} BROKEN" in said


def test_no_contract_is_left_without_its_proof() -> None:
    assert {contract for contract, _, _ in PLANTED} == set(CONTRACTS)


def test_the_stores_may_use_the_library(copied_tree: Path) -> None:
    """The exception is as wide as it claims: a module inside `store`, whether that is a file or a package."""
    store = copied_tree / "services" / "network" / "store"
    store.with_suffix(".py").unlink(missing_ok=True)
    store.mkdir(exist_ok=True)
    (store / "__init__.py").touch()
    (store / "planted.py").write_text("import eventsourcing.postgres\n")

    exit_code, said = _lint(copied_tree, "--contract", "stores-only")

    assert exit_code == 0, said


def _lint(tree: Path, *options: str) -> tuple[int, str]:
    command = Path(sys.executable).with_name("lint-imports")
    # The copy comes before the installed tree, which an editable install puts at the end of the path.
    path = os.pathsep.join([str(tree / "libs"), str(tree / "services")])
    answer = subprocess.run(
        [str(command), "--config", str(tree / "pyproject.toml"), "--no-cache", *options],
        cwd=tree,
        env={**os.environ, "PYTHONPATH": path, "COLUMNS": "200", "NO_COLOR": "1"},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return answer.returncode, answer.stdout + answer.stderr
