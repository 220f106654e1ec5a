"""Judges a sample of breathing air against one standard, limit by limit, and says when the next sample is due.

It must never pass what was not measured: a limit without a reading is held.
"""

import math
from dataclasses import dataclass
from datetime import date

from rulebook.pack import AirLimit, Amount, Finding, Pack, SampledAt
from rulebook.year_month import months_after


@dataclass(frozen=True)
class AirSample:
    """Readings of one sample, each under the name its limit has in the pack, such as `carbon_monoxide_ppm`."""

    readings: tuple[Amount, ...]
    sampled_at: SampledAt
    fills_to_bar: float


def air_standards(pack: Pack) -> tuple[str, ...]:
    return tuple(dict.fromkeys(limit.standard for limit in pack.air))


def air_limits(pack: Pack, standard: str) -> tuple[AirLimit, ...]:
    return tuple(limit for limit in pack.air if limit.standard == standard)


def judge_air(pack: Pack, standard: str, sample: AirSample) -> list[Finding]:
    """What the sample says under that standard. An unknown standard is refused, and no reading is an average."""
    limits = air_limits(pack, standard)
    if not limits:
        return [pack.finding("air.unknown", "refuse", f"“{standard[:40]}” has no limits here.")]
    findings = []
    for limit in limits:
        if not _is_for(limit, sample):
            continue
        read = [reading.number for reading in sample.readings if reading.unit == limit.measured]
        if not read:
            name = limit.measured.replace("_", " ")
            findings.append(pack.finding("air.unmeasured", "hold", f"{standard}: {name}."))
        elif any(_is_off(limit, number) for number in read):
            worst = ", ".join(f"{number:g}" for number in read)
            findings.append(
                pack.finding_of(limit.rule, "refuse", f"{worst} {limit.measured.replace('_', ' ')}.")
            )
    return findings


def judge_air_age(pack: Pack, sampled_on: date, today: date) -> tuple[list[Finding], date]:
    """Whether the latest sample still counts, and the last day it does."""
    due = months_after(sampled_on, int(pack.rule("air.interval").amount("months")))
    if sampled_on > today:
        return [
            pack.finding("date.impossible", "refuse", f"The sample is dated {sampled_on}, still to come.")
        ], due
    if today > due:
        return [pack.finding("air.interval", "hold", f"Sampled {sampled_on}, due {due}.")], due
    return [], due


def _is_for(limit: AirLimit, sample: AirSample) -> bool:
    return (
        (limit.sampled_at is None or limit.sampled_at == sample.sampled_at)
        and (limit.bar_above is None or sample.fills_to_bar > limit.bar_above)
        and (limit.bar_up_to is None or sample.fills_to_bar <= limit.bar_up_to)
    )


def _is_off(limit: AirLimit, number: float) -> bool:
    """Written so that a reading which is no number at all is off."""
    is_low_enough = limit.at_most is None or number <= limit.at_most
    is_high_enough = limit.at_least is None or number >= limit.at_least
    return not (is_low_enough and is_high_enough and math.isfinite(number))
