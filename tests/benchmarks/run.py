"""`make bench`: measure each thing beside its floor on real processes, print one table, keep it as JSON if asked.

Nothing is asserted about time. The figures belong to the machine and the moment; the ratios travel.
"""

from __future__ import annotations

import os
import platform
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, redirect_stderr
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated
from uuid import UUID

import httpx
import typer
from rich.console import Console
from tests.benchmarks import (
    a_busy_shop,
    the_counter,
    the_first_reading,
    the_gas,
    the_hub,
    the_parts,
    the_stop,
)
from tests.benchmarks.measuring import Report, Row, table
from tests.conftest import new_database
from tests.journeys.a_network import Network, start_network, wait_until
from tests.journeys.visits import Cylinder, Taken

from branch.web.logs import set_up_logs
from filltrail import servers
from filltrail.processes import free_port

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)
say = Console(stderr=True, highlight=False)
CATCH_UP_WITHIN_S = 180.0
FIRST_SERIAL = 2_000_000  # Beyond every other cylinder of the run.


@dataclass(frozen=True)
class Sizes:
    """How often each thing is done, and how many cylinders are on record."""

    commands: int
    look_ups: int
    batches: int
    condemnations: int
    cylinders: int
    states: int
    facts: int


FULL = Sizes(
    commands=300, look_ups=1000, batches=40, condemnations=40, cylinders=10_000, states=200, facts=10_000
)
TINY = Sizes(commands=3, look_ups=5, batches=2, condemnations=2, cylinders=20, states=3, facts=100)


@app.command()
def main(
    json: Annotated[Path | None, typer.Option("--json", help="Write the report here as well")] = None,
    tiny: Annotated[bool, typer.Option(help="So few samples that the figures mean nothing")] = False,
) -> None:
    """Measure, each figure beside its floor."""
    began, load_before = time.monotonic(), os.getloadavg()[0]
    with _folder() as folder, ExitStack() as stack:
        _log_into(folder / "in-process.log", stack)
        sizes = TINY if tiny else FULL
        say.print("Real gas")
        rows = the_gas.real_gas(sizes.states)
        say.print("A shop's first reading")
        rows += the_first_reading.first_reading(folder / "first-reading", sizes.facts)
        more, cylinders = _measure(folder, stack, sizes)
        rows += more
    report = Report(
        python=platform.python_version(), cores=os.cpu_count() or 0, load_before=load_before,
        load_after=os.getloadavg()[0], took_s=time.monotonic() - began, cylinders=cylinders, rows=tuple(rows),
    )  # fmt: skip
    out = Console()
    out.print(table(report), width=None if out.is_terminal else 118)
    if json is not None:
        json.write_text(report.model_dump_json(indent=2) + "\n")


def _measure(folder: Path, stack: ExitStack, sizes: Sizes) -> tuple[list[Row], int]:
    say.print("Starting PostgreSQL, Valkey, the hub and two shops")
    postgres_url, redis_url = _servers(folder, stack)
    database_url = stack.enter_context(new_database(postgres_url))
    network = start_network(folder, database_url, redis_url)
    stack.callback(network.stop)
    shop = network.shops["lantern"]
    cylinder = Cylinder(a_busy_shop.serial(FIRST_SERIAL))
    filling = Taken(shop.tablet(), cylinder, tag=99).go_through(until="complete_fill")
    assert shop.running is not None
    shop.running.stop()
    with a_busy_shop.node_of(shop) as node:
        say.print("Putting cylinders on record")
        cylinder_ids = a_busy_shop.register(node, sizes.cylinders)
        say.print(f"{len(cylinder_ids):,} on record. The desk")
        desk = the_counter.in_process(shop, node, UUID(filling.visit_id), sizes.commands)
        parts = the_parts.at_the_counter(shop, node, UUID(filling.visit_id), folder, sizes.commands)
    shop.start()
    say.print("Waiting until hub and the other shop have read them all")
    _wait_until_known(network, cylinder_ids[-1])
    say.print("The counter, the look-up")
    counter = the_counter.over_http(shop, filling.visit_id, sizes.commands)
    look_up = the_counter.look_up(shop, cylinder_ids, sizes.look_ups)
    say.print("Condemned here, stopped there")
    stops = the_stop.condemn_to_stop(network, sizes.condemnations)
    network.stop()
    say.print("The hub")
    ingest = the_hub.ingest(folder, postgres_url, redis_url, sizes.batches)
    parts += the_parts.at_the_hub(folder, postgres_url, sizes.batches)
    return [counter, desk, look_up, *ingest, *stops, *parts], len(cylinder_ids)


def _wait_until_known(network: Network, cylinder_id: UUID) -> None:
    tablet = network.shops["gannet"].tablet()
    where = f"/api/cylinders/{cylinder_id}/standing"
    wait_until(
        lambda: tablet.http.get(where).status_code == 200 and not _lag(network),
        "shop and hub have read every cylinder",
        within_s=CATCH_UP_WITHIN_S,
    )


def _lag(network: Network) -> float:
    """Facts that the hub's slowest projection has not read yet."""
    text = httpx.get(f"{network.hub.url}/metrics", timeout=10).text
    behind = [line for line in text.splitlines() if line.startswith("filltrail_projection_lag")]
    assert behind, "the hub says how far its projections are"
    return max(float(line.split()[-1]) for line in behind)


@contextmanager
def _folder() -> Iterator[Path]:
    """A folder on a disk: /tmp may be memory, where a commit costs nothing."""
    on_disk = Path("/var/tmp")
    where = on_disk if on_disk.is_dir() and os.access(on_disk, os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="filltrail-bench-", dir=where) as name:
        yield Path(name)


def _log_into(path: Path, stack: ExitStack) -> None:
    """The parts that run in this process log a line a fact, as they do in their programs."""
    log = stack.enter_context(path.open("a"))
    with redirect_stderr(log):
        set_up_logs()


def _servers(folder: Path, stack: ExitStack) -> tuple[str, str]:
    """Those that the environment names, as for the tests; else our own from the wheels."""
    postgres_url = os.environ.get("FILLTRAIL_TEST_DATABASE_URL", "")
    redis_url = os.environ.get("FILLTRAIL_TEST_REDIS_URL", "")
    if not postgres_url:
        stack.callback(servers.forget_servers, folder / "postgres")
        postgres = servers.start_postgres(folder / "postgres", port=free_port())
        stack.callback(postgres.stop)
        postgres_url = postgres.url
    if not redis_url:
        valkey = servers.start_valkey(folder / "valkey", port=free_port())
        stack.callback(valkey.stop)
        redis_url = valkey.url
    return postgres_url, redis_url


if __name__ == "__main__":
    app()
