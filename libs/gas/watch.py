"""What the readings during a fill say: too fast, or falling where it should rise.

Owns no clock and no gauge: readings come in, remarks go out. It must never smooth a reading away.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

from gas.pressure import Pressure

# A fall by more than one mark of a good gauge is no flicker. Common practice, no source.
FALL: Final = Pressure(1, "bar")

# Two readings closer together than this give no rate worth a word: one mark on the gauge would look like a race.
SHORTEST_MIN: Final = 0.2


@dataclass(frozen=True)
class Reading:
    """The gauge, so many minutes after the fill began."""

    minute: float
    gauge: Pressure


@dataclass(frozen=True)
class Remark:
    """Something to say about the fill at that minute, worst first to act on: `leaking` before `too fast`.

    `bar_per_min` is how fast it was, where that is the trouble.
    """

    kind: Literal["leaking", "too fast"]
    minute: float
    words: str
    bar_per_min: float | None = None


def watch(readings: Sequence[Reading], rate_max_bar_per_min: float | None) -> tuple[Remark, ...]:
    """Every remark in the order of time. ValueError where the readings are not in that order themselves."""
    remarks: list[Remark] = []
    if any(not later.minute > earlier.minute for earlier, later in pairwise(readings)):
        raise ValueError("readings come in the order of time, no two at once")
    for earlier, later in _apart(readings):
        rise_bar = later.gauge.bar - earlier.gauge.bar
        rate = rise_bar / (later.minute - earlier.minute)
        if rise_bar < -FALL.bar:
            fell = f"The gauge fell from {earlier.gauge.words()} to {later.gauge.words()}"
            remarks.append(
                Remark(
                    "leaking",
                    later.minute,
                    f"{fell} while filling: stop, close both valves and find the leak.",
                )
            )
        elif rate_max_bar_per_min is not None and rate > rate_max_bar_per_min:
            remarks.append(
                Remark(
                    "too fast",
                    later.minute,
                    f"{rate:.0f} bar a minute is faster than the {rate_max_bar_per_min:g} of the shop's policy.",
                    rate,
                )
            )
    return tuple(remarks)


def _apart(readings: Sequence[Reading]) -> list[tuple[Reading, Reading]]:
    """Neighbours far enough apart for a rate; a fall counts however short the time."""
    pairs, last = [], None
    for reading in readings:
        if last is None:
            last = reading
        elif reading.minute - last.minute >= SHORTEST_MIN or reading.gauge.bar < last.gauge.bar - FALL.bar:
            pairs.append((last, reading))
            last = reading
    return pairs
