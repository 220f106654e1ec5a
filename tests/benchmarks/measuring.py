"""How the benchmarks measure: the thing and its floor in turns, the same clock, one table.

Owns the samples, their percentiles and the line over which a request is timed. Must never judge a figure.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from http.client import HTTPConnection, HTTPResponse
from urllib.parse import urlsplit

import httpx
from pydantic import BaseModel, ConfigDict
from rich.table import Table

Sample = Callable[[], float]
"""Does something once and gives the seconds that it took, what had to be made ready for it not counted."""

WARM_UPS = 3
ANSWER_WITHIN_S = 20.0


class Row(BaseModel):
    """One measured thing beside its floor; times in milliseconds. `note` says what else the reader must know."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    what: str
    n: int
    p50_ms: float
    p99_ms: float
    floor: str
    floor_p50_ms: float
    ratio: float
    per_second: float | None = None
    floor_per_second: float | None = None
    note: str = ""


class Report(BaseModel):
    """A whole run, and the machine it was made on."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    python: str
    cores: int
    load_before: float
    load_after: float
    took_s: float
    cylinders: int
    rows: tuple[Row, ...]


def in_turns(rounds: int, *samples: Sample, pause_s: float = 0.0) -> list[list[float]]:
    """Take every sample once a round, so that whatever the machine does meanwhile falls on all alike.

    The first rounds warm up and are not kept. `pause_s` after each round lets what a sample set off come to its end.
    """
    kept: list[list[float]] = [[] for _ in samples]
    for number in range(-WARM_UPS, rounds):
        for sample, times in zip(samples, kept, strict=True):
            took_s = sample()
            if number >= 0:
                times.append(took_s)
        time.sleep(pause_s)
    return kept


def row(
    what: str,
    times_s: Sequence[float],
    floor: str,
    floor_times_s: Sequence[float],
    *,
    batch: int = 0,
    note: str = "",
) -> Row:
    """The figures of one thing and its floor. `batch`: so many events in each sample, for the rate of one client."""
    p50_s, floor_p50_s = statistics.median(times_s), statistics.median(floor_times_s)
    return Row(
        what=what,
        n=len(times_s),
        p50_ms=p50_s * 1000,
        p99_ms=percentile(times_s, 99) * 1000,
        floor=floor,
        floor_p50_ms=floor_p50_s * 1000,
        ratio=p50_s / floor_p50_s,
        per_second=batch / p50_s if batch else None,
        floor_per_second=batch / floor_p50_s if batch else None,
        note=note,
    )


def percentile(times_s: Sequence[float], percent: int) -> float:
    """By linear interpolation between the samples; of few samples a high one is close to the greatest."""
    if len(times_s) == 1:
        return times_s[0]
    return statistics.quantiles(times_s, n=100, method="inclusive")[percent - 1]


class Line:
    """One kept-alive connection with a tablet's cookies, by the plainest client there is: it is part of every figure."""

    def __init__(self, url: str, cookies: httpx.Cookies) -> None:
        place = urlsplit(url)
        assert place.hostname is not None
        self._connection = HTTPConnection(place.hostname, place.port, timeout=ANSWER_WITHIN_S)
        held = "; ".join(f"{cookie.name}={cookie.value}" for cookie in cookies.jar)
        self._headers = {"cookie": held, "content-type": "application/json"}

    def time_get(self, path: str) -> float:
        """Seconds from the request to the whole answer, which must be 200."""
        return self._time("GET", path, None)

    def time_post(self, path: str, body: bytes) -> float:
        """Seconds from the request to the whole answer, which must be 200."""
        return self._time("POST", path, body)

    def open_stream(self, path: str) -> HTTPResponse:
        """The answer to a GET that goes on; read it before anything else is asked on this line."""
        self._connection.request("GET", path, headers=self._headers)
        answer = self._connection.getresponse()
        assert answer.status == 200, (path, answer.status)
        return answer

    def close(self) -> None:
        self._connection.close()

    def _time(self, method: str, path: str, body: bytes | None) -> float:
        began = time.perf_counter()
        self._connection.request(method, path, body=body, headers=self._headers)
        answer = self._connection.getresponse()
        said = answer.read()
        took_s = time.perf_counter() - began
        assert answer.status == 200, (method, path, answer.status, said[:800])
        return took_s


def table(report: Report) -> Table:
    """The report for people: a line for each thing, and below it its floor."""
    drawn = Table(title="Each thing above its floor, taken in turns in the same run", title_justify="left")
    drawn.add_column("what", ratio=1, overflow="fold")
    for name in ("n", "p50 ms", "p99 ms", "per s", "ratio"):
        drawn.add_column(name, justify="right", no_wrap=True)
    for one in report.rows:
        note = f" [dim]({one.note})[/dim]" if one.note else ""
        times = f"{one.p50_ms:.2f}", f"{one.p99_ms:.2f}"
        drawn.add_row(
            one.what + note, str(one.n), *times, _rate(one.per_second), f"[bold]{one.ratio:.1f} ×[/bold]"
        )
        floor_rate = _rate(one.floor_per_second)
        drawn.add_row(
            f"  floor: {one.floor}", "", f"{one.floor_p50_ms:.2f}", "", floor_rate, "", end_section=True
        )
    drawn.caption = (
        f"Python {report.python}, {report.cores} cores, load {report.load_before:.1f} before and {report.load_after:.1f} after, "
        f"{report.cylinders:,} cylinders on record at every node, {report.took_s:.0f} s in all. p99 of few samples is "
        "close to the slowest of them. The figures belong to this machine and this moment; the ratios travel."
    )
    drawn.caption_justify = "left"
    return drawn


def _rate(per_second: float | None) -> str:
    return "" if per_second is None else f"{per_second:,.0f}"
