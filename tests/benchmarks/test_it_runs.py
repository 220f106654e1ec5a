"""The benchmarks run from end to end; no figure of so few samples means anything, so none is judged."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from tests.benchmarks.measuring import Report

pytestmark = [pytest.mark.wire, pytest.mark.slow]
ROOT = Path(__file__).parents[2]
ROWS = 20


def test_every_benchmark_gives_a_figure_and_its_floor(
    tmp_path: Path, postgres_url: str, redis_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FILLTRAIL_TEST_DATABASE_URL", postgres_url)
    monkeypatch.setenv("FILLTRAIL_TEST_REDIS_URL", redis_url)
    written = tmp_path / "bench.json"
    ran = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.run", "--tiny", "--json", str(written)],
        cwd=ROOT, capture_output=True, text=True, timeout=170, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr[-4000:]
    report = Report.model_validate_json(written.read_bytes())
    assert len(report.rows) == ROWS
    assert len({row.what for row in report.rows}) == ROWS
    for row in report.rows:
        assert min(row.n, row.p50_ms, row.p99_ms, row.floor_p50_ms, row.ratio) > 0, row
        assert row.p50_ms <= row.p99_ms, row
    assert [row.what for row in report.rows if row.per_second is not None] == [
        row.what for row in report.rows if row.what.startswith("hub:")
    ]
    doorbells = [row.what.rsplit(": ", 1)[1] for row in report.rows if "doorbell" in row.what]
    assert doorbells == ["redis", "listen"]
