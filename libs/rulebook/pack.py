"""What a jurisdiction's rules look like once read: lines with their sources, specifications, criteria, and findings.

Nothing here decides; nothing here may exist without words, source, clause, edition and standing.
"""

from dataclasses import dataclass
from typing import Literal

from gas.pressure import Unit

Standing = Literal["law", "standard", "common practice", "from memory"]
FoundStanding = Literal["law", "standard", "common practice", "from memory", "house rule"]
Bearing = Literal["refuse", "hold", "tell"]
Outcome = Literal["condemn", "reject", "fail"]
Metal = Literal["aluminium", "steel", "composite", "any"]
StampedDate = Literal["test", "either"]
Stamp = Literal["tested", "expires"]
Enough = Literal["yes", "ask", "no"]
FillerPaper = Literal["approved filler", "mix training"]
SampledAt = Literal["cylinder", "compressor"]
Defect = Literal[
    "leak", "crack", "neck crack", "dig", "pit", "line corrosion", "general corrosion", "dent", "bulge",
    "burn", "heat", "expansion", "elastic expansion", "fibre damage", "delamination", "neck thread",
    "thread mismatch", "valve", "relief device", "marks", "dirt inside", "coating", "pamphlet", "abuse",
    "accident", "age",
]  # fmt: skip
Measure = Literal[
    "depth_mm", "length_mm", "percent_of_wall", "percent_of_surface", "percent_of_dent_width",
    "depth_percent_of_diameter", "length_percent_of_diameter", "width_percent_of_diameter",
    "percent_of_circumference", "percent_of_total", "temperature_c", "thread_lengths", "width_in_depths",
]  # fmt: skip
Only = Literal["wall known", "wall not known", "alloy 6351-T6", "permit", "no permit", "3HT"]
Comparison = Literal["above", "from", "below"]

# A line for which there is no text to point into says so in this word.
NO_CLAUSE = "none"


@dataclass(frozen=True)
class Amount:
    number: float
    unit: str


@dataclass(frozen=True)
class Rule:
    id: str
    words: str
    source: str
    clause: str
    edition: str
    standing: Standing
    amounts: tuple[Amount, ...] = ()

    def amount(self, unit: str) -> float:
        """The rule's number in that unit. The loader has checked that every number a judgement asks for is there."""
        return next(amount.number for amount in self.amounts if amount.unit == unit)

    def citation(self) -> str:
        return cite(self.source, self.clause, self.edition, self.standing)


@dataclass(frozen=True)
class Finding:
    """What one rule says of one cylinder. `refuse`: not to be filled. `hold`: a person must look first. `tell`: show it."""

    rule_id: str
    words: str
    source: str
    clause: str
    edition: str
    standing: FoundStanding
    bearing: Bearing

    def citation(self) -> str:
        return cite(self.source, self.clause, self.edition, self.standing)


@dataclass(frozen=True)
class Specification:
    """One kind of cylinder the jurisdiction knows. `rule` is the line its requalification period comes from.

    Without `requalify_every_months` the period stands in the permit of the single cylinder, and nowhere else.
    `first_requalify_months` is the period after manufacture where it differs from the later ones.
    """

    key: str
    rule: Rule
    requalify_every_months: int | None
    stamped_in: Unit
    metal: Metal
    spellings: tuple[str, ...]
    numbered: bool
    may_carry_plus: bool
    bans_alloy_6351: bool
    test_ratio: tuple[int, int] | None
    tells: tuple[str, ...]
    first_requalify_months: int | None = None
    look_inside_every_months: int | None = None
    life_months: int | None = None
    approvals: tuple[str, ...] = ()
    approval_rule: str = ""


@dataclass(frozen=True)
class Permit:
    """What a person read in the special permit of one cylinder. Nothing of it is ever assumed."""

    number: str
    requalify_every_months: int
    life_months: int | None = None
    permanent_expansion_percent: float | None = None

    def __post_init__(self) -> None:
        if self.requalify_every_months <= 0 or (self.life_months is not None and self.life_months <= 0):
            raise ValueError("a permit's period and life are at least one month")
        if self.permanent_expansion_percent is not None and not 0 < self.permanent_expansion_percent <= 100:
            raise ValueError("a permit's limit of permanent expansion is a percentage above zero")


@dataclass(frozen=True)
class Limit:
    """When a criterion is met: a defect seen, or its measure on the wrong side of a number. `only` narrows whom it is for."""

    defect: Defect
    measure: Measure | None = None
    comparison: Comparison | None = None
    number: float = 0.0
    only: tuple[Only, ...] = ()


@dataclass(frozen=True)
class AirLimit:
    """One limit of one standard for breathing air. `at_most` and `at_least` are both kept where a band is meant.

    A limit for water may hold for a class only: cylinders filled to pressures above `bar_above` up to `bar_up_to`.
    """

    rule: Rule
    standard: str
    measured: str
    at_most: float | None
    at_least: float | None
    bar_above: float | None
    bar_up_to: float | None
    sampled_at: SampledAt | None


@dataclass(frozen=True)
class RequalificationMark:
    """A sign stamped behind a requalification date, and whether a scuba cylinder may be filled on it."""

    rule: Rule
    symbol: str
    enough: Enough


@dataclass(frozen=True)
class FillerLine:
    """Who may fill: the paper that is asked for, and above which share of oxygen. Helium asks for it wherever a mix does."""

    rule: Rule
    paper: FillerPaper
    above_oxygen_percent: float
    bearing: Bearing


@dataclass(frozen=True)
class Criterion:
    """One reason to condemn (final), reject (until repaired and requalified) or fail (put right, then look again).

    `meets` is what a measured finding is compared with; None where only the words can be applied.
    """

    id: str
    words: str
    source: str
    clause: str
    edition: str
    standing: Standing
    outcome: Outcome
    metal: Metal
    meets: Limit | None = None

    def citation(self) -> str:
        return cite(self.source, self.clause, self.edition, self.standing)


@dataclass(frozen=True)
class Pack:
    """The rules of one jurisdiction. Made by the loader only, which has checked it whole."""

    jurisdiction: str
    words: str
    edition: str
    caution: str
    rules: tuple[Rule, ...]
    specifications: tuple[Specification, ...]
    criteria: tuple[Criterion, ...]
    air: tuple[AirLimit, ...] = ()
    marks: tuple[RequalificationMark, ...] = ()
    fillers: tuple[FillerLine, ...] = ()
    stamped_date: StampedDate = "test"
    """What the date on the shoulder says here. "either": only the person who reads it can tell, and must."""

    def rule_or_none(self, rule_id: str) -> Rule | None:
        """For the lines that only some jurisdictions have."""
        return next((rule for rule in self.rules if rule.id == rule_id), None)

    def rule(self, rule_id: str) -> Rule:
        return next(rule for rule in self.rules if rule.id == rule_id)

    def specification(self, key: str) -> Specification:
        return next(spec for spec in self.specifications if spec.key == key)

    def finding(self, rule_id: str, bearing: Bearing, seen: str = "") -> Finding:
        """The rule applied: `seen` is what was read on this cylinder and comes before the rule's own words."""
        return self.finding_of(self.rule(rule_id), bearing, seen)

    def finding_of(self, rule: Rule, bearing: Bearing, seen: str = "") -> Finding:
        return Finding(
            rule_id=f"{self.jurisdiction}.{rule.id}",
            words=f"{seen} {rule.words}".strip(),
            source=rule.source,
            clause=rule.clause,
            edition=rule.edition,
            standing=rule.standing,
            bearing=bearing,
        )


def cite(source: str, clause: str, edition: str, standing: FoundStanding) -> str:
    """'49 CFR 173.301(a)(6), 2015 annual edition (law)'."""
    place = source if clause == NO_CLAUSE else f"{source} {clause}"
    return f"{place}, {edition} ({standing})" if edition != NO_CLAUSE else f"{place} ({standing})"
