"""The law and the practice of filling cylinders, as data with sources, and the judgements drawn from them.

Knows nothing of shops, visits or facts; reads no clock. It says what a rule makes of a reading; the caller decides.
"""

from rulebook.condition import (
    Alloy,
    condemn_criteria,
    criterion,
    judge_alloy,
    judge_condemned,
    judge_expansion,
    judge_outside,
    judge_oxygen_service,
    judge_rejected,
    reject_criteria,
)
from rulebook.dates import judge_full_cylinder, judge_requalification, judge_visual
from rulebook.pack import Bearing, Criterion, Finding, Pack, Rule, Specification, Standing
from rulebook.pressures import (
    fill_limit,
    judge_end,
    judge_rating,
    judge_residual,
    judge_target,
    lowest_test_pressure,
)
from rulebook.reading import PackIsFaulty, UnknownJurisdiction, jurisdictions, load, read_pack
from rulebook.specs import spec_known, spec_list
from rulebook.year_month import YearMonth

__all__ = [
    "Alloy",
    "Bearing",
    "Criterion",
    "Finding",
    "Pack",
    "PackIsFaulty",
    "Rule",
    "Specification",
    "Standing",
    "UnknownJurisdiction",
    "YearMonth",
    "condemn_criteria",
    "criterion",
    "fill_limit",
    "judge_alloy",
    "judge_condemned",
    "judge_end",
    "judge_expansion",
    "judge_full_cylinder",
    "judge_outside",
    "judge_oxygen_service",
    "judge_rating",
    "judge_rejected",
    "judge_requalification",
    "judge_residual",
    "judge_target",
    "judge_visual",
    "jurisdictions",
    "load",
    "lowest_test_pressure",
    "read_pack",
    "reject_criteria",
    "spec_known",
    "spec_list",
]
