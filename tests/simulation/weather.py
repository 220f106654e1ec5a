"""What goes wrong in one seed: a random subset of the faults, each at a random rate."""

from __future__ import annotations

import random
from dataclasses import dataclass

FAULTS = (
    "lost", "doubled", "late", "partition", "shop crashes", "hub crashes", "clock", "disk full", "shop restored",
    "marker lost", "hub restored", "mark lost", "clone", "disk lost", "garbled", "no bell", "false clears", "newer software",
    "links", "revoked", "uncertified",
)  # fmt: skip
"""Each is on in about half of the seeds."""


@dataclass(frozen=True, slots=True)
class Weather:
    """One seed's world: its size, and which faults it has."""

    shops: int
    cylinders: int
    days: float
    acts_a_day: float
    faults: frozenset[str]
    loss: float
    doubling: float
    lateness: float
    crash: float

    def has(self, fault: str) -> bool:
        """Whether this fault happens in this seed."""
        return fault in self.faults


def draw_weather(rng: random.Random, also: frozenset[str] = frozenset()) -> Weather:
    """The weather of a seed; the faults of `also` are on whatever chance says."""
    faults = also | {fault for fault in FAULTS if rng.random() < 0.45}
    return Weather(
        shops=rng.choice((2, 3, 3, 4)),
        cylinders=rng.choice((2, 3, 5)),
        days=rng.choice((6.0, 10.0, 16.0)),
        acts_a_day=rng.choice((2.0, 4.0, 7.0)),
        faults=faults,
        loss=rng.choice((0.02, 0.1, 0.3)) if "lost" in faults else 0.0,
        doubling=rng.choice((0.02, 0.1)) if "doubled" in faults else 0.0,
        lateness=rng.choice((0.05, 0.2)) if "late" in faults else 0.0,
        crash=rng.choice((0.004, 0.02)),
    )
