"""Running seeds: one, a range of them, or a campaign of network-years, and saying which command replays a bad one."""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

from tests.simulation.world import World

MUST_HAPPEN = (
    "page applied", "message lost", "answer lost", "answer late", "request doubled", "partition", "wrong clock", "disk full",
    "shop crashed before the commit", "shop crashed after the commit", "hub crashed before the commit",
    "hub crashed after the commit", "shop restored with its marker", "shop restored without its marker",
    "shop restored while cut off", "shop found itself behind its marker", "disk lost", "hub restored with its mark",
    "hub restored without its mark", "hub found itself behind its mark", "hub saw that it was rolled back", "new epoch",
    "adopted a new epoch", "cut its copy of the feed", "gave back", "ahead of the hub", "showed its enrolment", "behind", "fork",
    "new incarnation: restore", "new incarnation: fork", "new incarnation: key-rotate", "facts carried into a new incarnation",
    "clone made", "clone seen", "key revoked", "enrolled with a new key", "a block overtook its log", "filled", "no fill: blocked",
    "no fill: out of test", "no fill: news too old", "a clear without authority was written", "annulment written", "linked", "split",
    "a line garbled an envelope", "a beat showed another feed", "facts lost with the only disk that held them",
)  # fmt: skip
"""A workload in which one of these never happens tests nothing of it."""


@dataclass(frozen=True)
class Ran:
    """What one seed came to."""

    seed: int
    network_days: float
    fills: int
    violations: tuple[str, ...]
    counts: Counter[str]
    trace: str

    @property
    def replay(self) -> str:
        """The one command that runs this seed again, exactly."""
        return f"python -m tests.simulation.seeds --replay {self.seed}"


def run_seed(seed: int, *, also: frozenset[str] = frozenset()) -> Ran:
    """The whole life of one network."""
    world = World(seed, also=also)
    world.run()
    return Ran(
        seed=seed,
        network_days=world.weather.days,
        fills=world.watch.fills,
        violations=tuple(world.watch.violations),
        counts=world.counts,
        trace=world.trace.hexdigest(),
    )


def run_seeds(seeds: Iterable[int], *, workers: int = 1) -> Iterator[Ran]:
    """One after another, or on several processors."""
    if workers == 1:
        yield from (run_seed(seed) for seed in seeds)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(run_seed, seeds, chunksize=5)


def main() -> int:
    """`--years N`: seeds until that many network-years have passed. `--replay SEED`: that one, with what went wrong."""
    asked = argparse.ArgumentParser(description=main.__doc__)
    asked.add_argument("--years", type=float, default=1.0)
    asked.add_argument("--first", type=int, default=0, help="the first seed")
    asked.add_argument("--workers", type=int, default=2)
    asked.add_argument("--replay", type=int, default=None)
    given = asked.parse_args()
    if given.replay is not None:
        return _tell([run_seed(given.replay)], years=0.0)
    # Two shops or four, a network-year is a year of one network.
    seeds = range(given.first, given.first + int(given.years * 365 / 6) + 1)
    return _tell(run_seeds(seeds, workers=given.workers), years=given.years)


def _tell(runs: Iterable[Ran], *, years: float) -> int:
    total: Counter[str] = Counter()
    days = 0.0
    n = fills = bad = 0
    say = sys.stdout.write
    for ran in runs:
        n, days, fills, total = n + 1, days + ran.network_days, fills + ran.fills, total + ran.counts
        if ran.violations:
            bad += 1
            say(f"seed {ran.seed}: {len(ran.violations)} violations; again with: {ran.replay}\n")
            for one in ran.violations[:10]:
                say(f"  {one}\n")
        if years == 0.0:
            say(f"trace {ran.trace}\n")
        if years and days >= years * 365:
            break
    say(f"{n} seeds, {days / 365:.2f} network-years, {fills} fills, {bad} seeds with violations\n")
    for what, times in sorted(total.items(), key=lambda one: -one[1]):
        say(f"  {times:9d}  {what}\n")
    missing = [one for one in MUST_HAPPEN if not total[one]] if years else []
    for one in missing:
        say(f"never happened: {one}\n")
    return 1 if bad or missing else 0


if __name__ == "__main__":
    sys.exit(main())
