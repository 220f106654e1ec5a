"""What a jurisdiction's rules look like once read: lines with their sources, specifications, criteria, and findings.

Nothing here decides; nothing here may exist without words, source, clause, edition and standing.
"""

from dataclasses import dataclass
from typing import Literal

from gas.pressure import Unit

Standing = Literal["law", "standard", "common practice", "from memory"]
Bearing = Literal["refuse", "hold", "tell"]
Outcome = Literal["condemn", "reject"]
Metal = Literal["aluminium", "steel", "composite", "any"]

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
    standing: Standing
    bearing: Bearing

    def citation(self) -> str:
        return cite(self.source, self.clause, self.edition, self.standing)


@dataclass(frozen=True)
class Specification:
    """One kind of cylinder the jurisdiction knows. `rule` is the line its requalification period comes from."""

    key: str
    rule: Rule
    requalify_every_months: int
    stamped_in: Unit
    metal: Metal
    spellings: tuple[str, ...]
    numbered: bool
    may_carry_plus: bool
    bans_alloy_6351: bool
    test_ratio: tuple[int, int] | None
    tells: tuple[str, ...]


@dataclass(frozen=True)
class Criterion:
    """One reason to condemn (final) or reject (until repaired and requalified), in words for the bench."""

    id: str
    words: str
    source: str
    clause: str
    edition: str
    standing: Standing
    outcome: Outcome
    metal: Metal

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


def cite(source: str, clause: str, edition: str, standing: Standing) -> str:
    """'49 CFR 173.301(a)(6), 2015 annual edition (law)'."""
    place = source if clause == NO_CLAUSE else f"{source} {clause}"
    return f"{place}, {edition} ({standing})" if edition != NO_CLAUSE else f"{place} ({standing})"
