"""Proposes what comes of an inspection: each finding with its measure, the criteria it meets, and an outcome.

A proposal is for a person to confirm. It must never be better than its worst finding, and never "pass" while a finding
is not measured or has no criterion here.
"""

from dataclasses import dataclass, replace
from typing import Final, Literal

from rulebook.condition import Alloy, judge_expansion
from rulebook.dates import unknown_spec
from rulebook.pack import Amount, Criterion, Defect, Finding, Limit, Metal, Only, Pack, Permit
from rulebook.specs import spec_known

Proposed = Literal["pass", "fail", "reject", "condemn"]
_FROM_BEST: Final[tuple[Proposed, ...]] = ("pass", "fail", "reject", "condemn")
_SLACK = 1e-9


@dataclass(frozen=True)
class OnTheBench:
    """What is known of the cylinder that lies there. `wall_mm` is its smallest design wall, if somebody knows it."""

    spec: str
    metal: Metal
    alloy: Alloy = "not known"
    wall_mm: float | None = None
    permit: Permit | None = None


@dataclass(frozen=True)
class Seen:
    """One finding of the inspection: what it is, and what was measured of it."""

    defect: Defect
    measures: tuple[Amount, ...] = ()


@dataclass(frozen=True)
class Met:
    """A criterion that a finding meets."""

    seen: Seen
    criterion: Criterion


@dataclass(frozen=True)
class Proposal:
    """The outcome to confirm, the criteria that are met, and what keeps the form open."""

    outcome: Proposed
    met: tuple[Met, ...]
    open: tuple[Finding, ...]


def form_of(pack: Pack, metal: Metal) -> tuple[Criterion, ...]:
    """The criteria that an inspector of this material is asked about, worst first."""
    mine = [one for one in pack.criteria if one.meets is not None and one.metal in (metal, "any")]
    return tuple(sorted(mine, key=lambda one: -_FROM_BEST.index(one.outcome)))


def propose(pack: Pack, bench: OnTheBench, findings: tuple[Seen, ...]) -> Proposal:
    """The outcome of a visual inspection. Nothing found is a pass; what cannot be judged keeps the cylinder here."""
    if spec_known(pack, bench.spec) is None:
        return Proposal("fail", (), (unknown_spec(pack, bench.spec),))
    met: list[Met] = []
    unsure: list[Finding] = []
    for seen in (_with_share_of_wall(bench, one) for one in findings):
        asked = [one for one in form_of(pack, bench.metal) if _is_asked(pack, bench, one, seen)]
        met.extend(Met(seen, one) for one in asked if _is_met(one.meets, seen))
        if not asked or any(_is_unmeasured(one.meets, seen) for one in asked):
            unsure.append(pack.finding("bench.unmeasured", "hold", f"Found: {seen.defect}."))
    worst = max((_FROM_BEST.index(one.criterion.outcome) for one in met), default=0)
    if unsure:
        worst = max(worst, _FROM_BEST.index("fail"))
    return Proposal(_FROM_BEST[worst], tuple(met), tuple(unsure))


def propose_hydrostatic(pack: Pack, bench: OnTheBench, *, total_cc: float, permanent_cc: float) -> Proposal:
    """The outcome of a volumetric test. Exactly at the limit passes; a permit whose limit nobody read keeps it open."""
    found = judge_expansion(
        pack, bench.spec, total_cc=total_cc, permanent_cc=permanent_cc, permit=bench.permit
    )
    if any(one.bearing == "refuse" and not one.rule_id.endswith("spec.unknown") for one in found):
        seen = Seen("expansion", (Amount(permanent_cc / total_cc * 100, "percent_of_total"),))
        wanted = "condemn.permit_limit" if bench.permit else "condemn.permanent_expansion"
        met = [Met(seen, one) for one in pack.criteria if one.id == wanted]
        return Proposal("condemn", tuple(met), tuple(found))
    return Proposal("fail" if found else "pass", (), tuple(found))


def propose_eddy_current(pack: Pack, bench: OnTheBench, *, crack_thread_lengths: float | None) -> Proposal:
    """The outcome of the inspection for sustained-load cracking; None is one that was not made, and is not passed."""
    may_crack = bench.metal == "aluminium" and bench.alloy != "other"
    if may_crack and crack_thread_lengths is None:
        return Proposal("fail", (), (pack.finding("alloy.eddy_current", "refuse"),))
    if not crack_thread_lengths:
        return propose(pack, bench, ())
    return propose(pack, bench, (Seen("neck crack", (Amount(crack_thread_lengths, "thread_lengths"),)),))


def elastic_cc(*, total_cc: float, permanent_cc: float) -> float:
    """Elastic is total less permanent expansion (49 CFR 180.203, 2015 edition)."""
    return total_cc - permanent_cc


def _is_asked(pack: Pack, bench: OnTheBench, one: Criterion, seen: Seen) -> bool:
    return one.meets is not None and one.meets.defect == seen.defect and _is_for(pack, bench, one.meets.only)


def _is_for(pack: Pack, bench: OnTheBench, only: tuple[Only, ...]) -> bool:
    key = spec_known(pack, bench.spec)
    is_permit = key is not None and pack.specification(key).numbered
    holds: dict[Only, bool] = {
        "wall known": bench.wall_mm is not None,
        "wall not known": bench.wall_mm is None,
        # Nobody knows the alloy: the stricter reading is that it is the one that cracks.
        "alloy 6351-T6": bench.alloy != "other",
        "permit": is_permit,
        "no permit": not is_permit,
        "3HT": key == "3HT",
    }
    return all(holds[one] for one in only)


def _is_met(limit: Limit | None, seen: Seen) -> bool:
    if limit is None:
        return False
    if limit.measure is None:
        return True
    numbers = [amount.number for amount in seen.measures if amount.unit == limit.measure]
    return any(_is_beyond(limit, number) for number in numbers)


def _is_beyond(limit: Limit, number: float) -> bool:
    """Written so that a measure which is no number is beyond every limit."""
    if limit.comparison == "above":
        return not number <= limit.number + _SLACK
    if limit.comparison == "from":
        return not number < limit.number - _SLACK
    return not number >= limit.number - _SLACK


def _is_unmeasured(limit: Limit | None, seen: Seen) -> bool:
    wanted = None if limit is None else limit.measure
    return wanted is not None and all(amount.unit != wanted for amount in seen.measures)


def _with_share_of_wall(bench: OnTheBench, seen: Seen) -> Seen:
    """The depth as a share of the wall, where the wall is known."""
    depth = next((amount.number for amount in seen.measures if amount.unit == "depth_mm"), None)
    if depth is None or not bench.wall_mm:
        return seen
    share = Amount(depth / bench.wall_mm * 100, "percent_of_wall")
    return replace(seen, measures=(*seen.measures, share))
