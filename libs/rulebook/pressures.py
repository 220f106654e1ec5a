"""Judges the pressures of a visit: rating read, target asked, residual found, end reached, and the limit a fill may go to.

It must never let a pressure through that is above the rating, and never turn an odd reading into a usual one.
"""

from gas.pressure import Pressure, odd_unit_question
from rulebook.dates import unknown_spec
from rulebook.pack import Finding, Pack, Rule
from rulebook.specs import spec_known
from rulebook.year_month import YearMonth


def judge_rating(pack: Pack, spec: str, rated: Pressure) -> list[Finding]:
    """What the rating as read off the stamp says. Beyond any rating in use it is refused, below it is held for a second look."""
    key = spec_known(pack, spec)
    if key is None:
        return [unknown_spec(pack, spec)]
    if rated.value == 0:
        return [pack.finding("rating.unread", "refuse")]
    findings: list[Finding] = []
    in_use = pack.rule("rating.beyond_use")
    question = odd_unit_question(rated) or f"Read {rated.words()}."
    if rated.is_above(Pressure(in_use.amount("highest_psi"), "psi")):
        findings.append(pack.finding("rating.beyond_use", "refuse", question))
    elif rated.is_below(Pressure(in_use.amount("lowest_psi"), "psi")):
        findings.append(pack.finding("rating.beyond_use", "hold", question))
    stamped_in = pack.specification(key).stamped_in
    if rated.unit != stamped_in:
        seen = f"Read {rated.words()}, but a {key} is stamped in {stamped_in}."
        findings.append(pack.finding("rating.unit", "tell", seen))
    return findings


def judge_target(pack: Pack, rated: Pressure, target: Pressure) -> list[Finding]:
    """The target settles at the reference temperature at or below the rating, or there is no fill.

    Where the plus applies, pass the first answer of `fill_limit` as `rated`.
    """
    if target.value == 0:
        return [pack.finding("fill.no_target", "refuse")]
    if target.is_above(rated):
        seen = f"{target.words()} asked, {rated.words()} is the limit of this cylinder."
        return [pack.finding("fill.limit", "refuse", seen)]
    return []


def fill_limit(
    pack: Pack, spec: str, rated: Pressure, *, plus_stamped: bool, store_allows_plus: bool = False
) -> tuple[Pressure, list[Finding]]:
    """How far a fill may go at the reference temperature: the rating, or with a valid plus and the store's leave 10 % more."""
    key = spec_known(pack, spec)
    if key is None:
        return rated, [unknown_spec(pack, spec)]
    if not plus_stamped:
        return rated, []
    if not pack.specification(key).may_carry_plus:
        seen = f"A plus is recorded, but a {key} cannot carry one: the limit stays {rated.words()}."
        return rated, [pack.finding("fill.plus", "hold", seen)]
    if not store_allows_plus:
        return rated, [
            pack.finding("fill.plus", "tell", f"This shop does not fill to the plus: limit {rated.words()}.")
        ]
    percent = pack.rule("fill.plus").amount("percent")
    # Multiply before dividing: 2400 · 110 / 100 is 2640 exactly, 2400 · 1.1 is not.
    limit = Pressure(rated.value * (100 + percent) / 100, rated.unit)
    return limit, [
        pack.finding("fill.plus", "tell", f"Limit {limit.words()} by the plus after the latest test date.")
    ]


def judge_plus(
    pack: Pack,
    *,
    plus_after: YearMonth,
    requalified: YearMonth | None,
    are_conditions_met: bool | None,
) -> list[Finding]:
    """A plus belongs to the test date it stands behind: a later test without one ends it. What it needs, somebody has checked."""
    if requalified is None or plus_after != requalified:
        latest = "not read" if requalified is None else str(requalified)
        seen = f"The plus stands behind {plus_after}; the latest test date is {latest}."
        return [pack.finding("plus.date", "hold", seen)]
    if not are_conditions_met:
        return [pack.finding("plus.conditions", "hold")]
    return []


def plus_conditions(pack: Pack) -> tuple[Rule, ...]:
    """What a plus needs, line by line, for the person who confirms it."""
    return tuple(rule for rule in pack.rules if rule.id.startswith("plus.needs_"))


def judge_test_pressure(pack: Pack, spec: str, rated: Pressure, tested: Pressure) -> list[Finding]:
    """The test pressure stamped against the rating: a rating too high for its test pressure was misread, or is no rating."""
    lowest = lowest_test_pressure(pack, spec, rated)
    if lowest is None or not tested.is_below(lowest):
        return []
    seen = f"Rated {rated.words()}, tested at {tested.words()}: {lowest.words()} is the least."
    return [pack.finding("test.pressure", "refuse", seen)]


def hot_limit(pack: Pack, rated: Pressure) -> Pressure | None:
    """What the gas may come to when the cylinder is hot; None where no such line was read."""
    rule = pack.rule_or_none("fill.hot")
    return None if rule is None else Pressure(rated.value * rule.amount("percent") / 100, rated.unit)


def judge_residual(pack: Pack, residual: Pressure) -> list[Finding]:
    """A cylinder that comes in nearly empty may have let water in: look inside before filling."""
    low = pack.rule("residual.low").amount(residual.unit)
    if residual.value < low:
        return [pack.finding("residual.low", "hold", f"{residual.words()} left.")]
    return []


def judge_end(pack: Pack, rated: Pressure, end: Pressure) -> list[Finding]:
    """The gauge when the fill stopped. Over the rating it does not leave; clearly over it is bled without waiting."""
    if not end.is_above(rated):
        return []
    seen = f"The gauge shows {end.words()}, rated {rated.words()}."
    if end.psi - rated.psi >= pack.rule("fill.overshoot").amount("psi"):
        return [pack.finding("fill.overshoot", "hold", seen)]
    return [pack.finding("fill.limit", "hold", seen + " Let it cool and read again; bleed what is over.")]


def lowest_test_pressure(pack: Pack, spec: str, rated: Pressure) -> Pressure | None:
    """The smallest test pressure of a requalification; None where the specification's own papers say it."""
    key = spec_known(pack, spec)
    ratio = None if key is None else pack.specification(key).test_ratio
    return None if ratio is None else Pressure(rated.value * ratio[0] / ratio[1], rated.unit)
