"""A requalification: what follows from the readings of the test, and recording it as passed or condemned.

A test that condemns is never passed. Whether a plus may be stamped is asked only of a test that is passed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from cylinder import commands as c
from cylinder.around import Around
from cylinder.decide.gates import specs_claimed
from cylinder.decide.judging import clause_of, good_news, judging_reasons, of_the_bench, serial_read
from cylinder.decide.shoulder import permit_number
from cylinder.facts import Condemned, Requalified
from cylinder.facts.inspection import ReadingsAtTest, Tested
from cylinder.recorded import NewFact
from cylinder.refusal import Reason, Refused, reason_of, refuse_if
from cylinder.standing import Standing
from rulebook import (
    Alloy,
    Criterion,
    OnTheBench,
    Pack,
    Permit,
    YearMonth,
    criterion,
    elastic_cc,
    judge_alloy,
    judge_test_pressure,
    propose_eddy_current,
    propose_hydrostatic,
    spec_known,
)

SHORTEST_HOLD_S = 30
"""49 CFR 180.205(g), 2015 annual edition: at least 30 seconds at test pressure."""

_MOST_TIMES_RATING = 2.2
"""Test pressures are 3/2, 5/3 or twice the rating; above this one of the two was read in the other unit. Our choice."""

_SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class Follows:
    """What follows from the readings: the criteria that condemn, and why the test does not pass as it is."""

    met: tuple[Criterion, ...]
    against: tuple[Reason, ...]
    tested: Tested

    @property
    def condemns(self) -> bool:
        """Whether nothing but condemning is left."""
        return bool(self.met)


def follows(command: c.Requalify, standing: Standing, around: Around) -> Follows:
    """The outcome of a test, for every type that this cylinder was said to be. Nothing is recorded."""
    readings = command.test or ReadingsAtTest()
    total, permanent = command.total_expansion_cc, command.permanent_expansion_cc
    against = list(_readings_wrong(command))
    is_pair = not against
    met: dict[Criterion, None] = {}
    for spec, permit in _claims(standing, around):
        bench = _on_the_bench(around.rules, spec, readings, standing, permit)
        if total is not None and permanent is not None and is_pair:
            hydrostatic = propose_hydrostatic(around.rules, bench, total_cc=total, permanent_cc=permanent)
            met |= {one.criterion: None for one in hydrostatic.met}
            against += [reason_of(one) for one in hydrostatic.open if one.bearing != "tell"]
            met |= dict.fromkeys(_beyond_ree(around.rules, spec, total - permanent, readings))
        if command.test is not None:
            eddy, why = _eddy_current(around.rules, bench, readings)
            met |= dict.fromkeys(eddy)
            against += why
            against += _pressure_wrong(around.rules, spec, command)
            against += _plus_wrong(around.rules, spec, command)
    if command.test is not None:
        against += _papers_wrong(command, around)
    elif command.method != "hydrostatic and eddy current" and needs_eddy_current(around.rules, standing):
        against.append(reason_of(around.rules.finding("alloy.eddy_current", "refuse")))
    return Follows(tuple(met), tuple(dict.fromkeys(against)), _tested(command, around.rules, bool(against)))


def requalify(command: c.Requalify, standing: Standing, around: Around) -> tuple[NewFact, ...]:
    """Record the outcome that a person confirms. Raises Refused with every reason."""
    passes = command.outcome == "pass"
    reasons = passing_reasons(command, standing, around) if passes else judging_reasons(command, around)
    found = follows(command, standing, around)
    kept = found.tested if command.test is not None else None
    if passes:
        reasons += found.against
        # What the expansions condemn by is among the findings already, with its figures.
        reasons += [
            _condemned(one) for one in found.met if one.meets is None or one.meets.defect != "expansion"
        ]
        refuse_if(dict.fromkeys(reasons))
        done = Requalified(
            method=command.method,
            total_expansion_cc=command.total_expansion_cc,
            permanent_expansion_cc=command.permanent_expansion_cc,
            requalifier=command.requalifier,
            rated=command.rated,
            test=kept,
        )
        return good_news(command, done, standing, around)
    if not found.met:
        words = (
            "No reading of this test meets a criterion that condemns. Condemn it by what was found instead."
        )
        reasons.append(Reason("requalify.not-condemned", words))
    serial = ""
    try:
        serial = serial_read(command.last_four, standing)
    except Refused as refused:
        reasons += refused.reasons
    refuse_if(reasons)
    worst = found.met[0]
    condemned = Condemned(
        reason=words_of(found.tested), criterion_id=worst.id, criterion=worst.words, clause=clause_of(worst),
        serial_read=serial, certificate=around.actor.certificate, test=kept,
    )  # fmt: skip
    return (of_the_bench(command, condemned, around),)


def passing_reasons(command: c.Requalify, standing: Standing, around: Around) -> list[Reason]:
    """Whether this person may record a passed test (49 CFR 180.205(b): nobody represents one without approval)."""
    return judging_reasons(command, around, standing, work="pressure test")


def needs_eddy_current(rules: Pack, standing: Standing, alloy: Alloy = "not known") -> bool:
    """Aluminium that is alloy 6351-T6, or that has to be taken for it."""
    metals = {rules.specification(key).metal for key in specs_claimed(rules, standing.marks)}
    return "aluminium" in metals and _taken_for(rules, alloy, standing) == "6351-T6"


def words_of(tested: Tested) -> str:
    """The readings in words, for the record."""
    words = []
    if tested.permanent_percent is not None:
        words.append(
            f"Permanent {tested.permanent_expansion_cc:g} of {tested.total_expansion_cc:g} cc, "
            f"{tested.permanent_percent:.4g} %, elastic {tested.elastic_cc:g} cc"
        )
    if (lengths := tested.readings.crack_thread_lengths) is not None:
        words.append(f"eddy current: {f'crack of {lengths:g} thread lengths' if lengths else 'no crack'}")
    return "; ".join(words)[:200] or "Pressure test"


def _readings_wrong(command: c.Requalify) -> Iterator[Reason]:
    """Two expansions that belong together, where any was measured or the method asks for them."""
    total, permanent = command.total_expansion_cc, command.permanent_expansion_cc
    if total is None and permanent is None and not command.method.startswith("hydrostatic"):
        return
    if total is None or permanent is None:
        yield Reason("requalify.expansion", "A hydrostatic test needs its total and permanent expansion.")
    elif permanent > total:
        yield Reason("requalify.expansion", "Permanent expansion cannot be larger than the total.")


def _papers_wrong(command: c.Requalify, around: Around) -> Iterator[Reason]:
    assert command.test is not None
    held_s, rin = command.test.held_s, command.test.rin
    if held_s is not None and held_s < SHORTEST_HOLD_S:
        yield Reason(
            "requalify.held",
            f"Held for {held_s} s: at test pressure it is held for at least {SHORTEST_HOLD_S} s, and until it no longer grows.",
            source="49 CFR",
            clause="180.205(g)",
            edition="2015 annual edition",
        )
    if rin and not (len(rin) == 4 and rin.isascii() and rin.isalnum()):
        yield Reason(
            "requalify.rin",
            f"“{rin}” is no requalifier's number: four letters and figures, clockwise from the upper left of the square.",
            source="49 CFR",
            clause="180.213(d)",
            edition="2015 annual edition",
        )
    is_eddy = command.method == "hydrostatic and eddy current"
    if is_eddy != (command.test.crack_thread_lengths is not None):
        yield Reason(
            "requalify.eddy-method",
            "Say what eddy current found (0 where there was no crack), and choose the method with eddy current: both or neither.",
        )
    if command.test.crack_thread_lengths is not None and not command.test.eddy_by:
        yield from _own_eddy_current(around)


def _own_eddy_current(around: Around) -> Iterator[Reason]:
    """Nobody else is named, so it is the work of the one who records it: their own certificate has to say that it is for it."""
    if "eddy current" not in (around.actor.covers or ()):
        yield Reason(
            "requalify.eddy-by",
            "Say who made the inspection by eddy current, and on which paper. Your own certificate is not on record as one for it.",
        )


def _pressure_wrong(rules: Pack, spec: str, command: c.Requalify) -> Iterator[Reason]:
    assert command.test is not None
    tested, rated = command.test.test_pressure, command.rated
    if tested is None or rated is None:
        if command.method.startswith("hydrostatic"):
            yield Reason(
                "requalify.pressure", "Key the test pressure, and the rated pressure read off the metal."
            )
        return
    yield from (reason_of(one) for one in judge_test_pressure(rules, spec, rated.pressure, tested.pressure))
    if tested.pressure.psi > rated.pressure.psi * _MOST_TIMES_RATING:
        yield Reason(
            "requalify.unit",
            f"Tested at {tested.words}, rated {rated.words}: that is more than any test asks for. Is one of them in the "
            "other unit?",
        )


def _plus_wrong(rules: Pack, spec: str, command: c.Requalify) -> Iterator[Reason]:
    assert command.test is not None
    readings, key = command.test, spec_known(rules, spec)
    if not readings.wants_plus:
        return
    clause = {"source": "49 CFR", "edition": "2015 annual edition"}
    if key is None or not rules.specification(key).may_carry_plus:
        yield Reason("requalify.plus-type", f"A {spec} carries no plus.", clause="173.302a(b)", **clause)
    total, permanent = command.total_expansion_cc, command.permanent_expansion_cc
    if total is None or permanent is None:
        words = "A plus needs the elastic expansion, found by water jacket at this test."
        yield Reason("requalify.plus-elastic", words, clause="173.302a(b)(2)", **clause)
    elif readings.ree_cc is not None and total - permanent > readings.ree_cc + _SLACK:
        words = f"Elastic expansion {total - permanent:g} cc is above the marked {readings.ree_cc:g} cc (REE): no plus."
        yield Reason("requalify.plus-ree", words, clause="173.302a(b)(3)", **clause)
    if not readings.are_plus_conditions_met:
        words = "Confirm each condition of the plus, or leave the plus out."
        yield Reason("requalify.plus-conditions", words, clause="173.302a(b)", **clause)


def _eddy_current(
    rules: Pack, bench: OnTheBench, readings: ReadingsAtTest
) -> tuple[list[Criterion], list[Reason]]:
    if bench.metal != "aluminium":
        return [], []
    why = []
    if spec_known(rules, bench.spec) is not None:
        found = judge_alloy(rules, bench.spec, bench.alloy, eddy_current_at_latest_test=True)
        why += [reason_of(one) for one in found if one.bearing != "tell"]
    proposed = propose_eddy_current(rules, bench, crack_thread_lengths=readings.crack_thread_lengths)
    why += [reason_of(one) for one in proposed.open if one.bearing != "tell"]
    return [one.criterion for one in proposed.met if one.criterion.outcome == "condemn"], why


def _beyond_ree(rules: Pack, spec: str, elastic: float, readings: ReadingsAtTest) -> Iterator[Criterion]:
    """3HT alone is condemned for its elastic expansion."""
    is_beyond = readings.ree_cc is not None and elastic > readings.ree_cc + _SLACK
    if spec_known(rules, spec) == "3HT" and is_beyond:
        found = criterion(rules, "condemn.3ht_elastic")
        if found is not None:
            yield found


def _claims(standing: Standing, around: Around) -> Iterable[tuple[str, Permit | None]]:
    """Each type that this cylinder was said to be, with its permit where somebody here has read it."""
    known = specs_claimed(around.rules, standing.marks)
    for marks in standing.marks:
        key = spec_known(around.rules, marks.spec)
        if known and key is None:
            continue
        is_numbered = key is not None and around.rules.specification(key).numbered
        number = permit_number(marks.spec) if is_numbered else ""
        permit = next((one for one in around.policy.permits if number and one.number == number), None)
        yield key or marks.spec, permit


def _on_the_bench(
    rules: Pack, spec: str, readings: ReadingsAtTest, standing: Standing, permit: Permit | None
) -> OnTheBench:
    key = spec_known(rules, spec)
    metal = rules.specification(key).metal if key is not None else "any"
    if metal == "any" and readings.alloy != "other":
        metal = "aluminium"  # The type leaves it open; who tests it says an alloy, or cannot say that it has none.
    return OnTheBench(spec, metal, _taken_for(rules, readings.alloy, standing), permit=permit)


def _taken_for(rules: Pack, alloy: Alloy, standing: Standing) -> Alloy:
    """As keyed; one that nobody knows is taken for 6351-T6 unless it was made after the month in the rules."""
    assumed = rules.rule_or_none("alloy.assumed")
    if alloy != "not known" or assumed is None:
        return "6351-T6" if alloy == "not known" else alloy
    last = YearMonth(int(assumed.amount("year")), int(assumed.amount("month")))
    made = min(YearMonth.parse(marks.first_test) for marks in standing.marks)
    return "6351-T6" if made < last else "other"


def _condemned(one: Criterion) -> Reason:
    return Reason(f"requalify.{one.id}", one.words, source=one.source, clause=one.clause, edition=one.edition)


def _tested(command: c.Requalify, rules: Pack, is_wrong: bool) -> Tested:
    total, permanent = command.total_expansion_cc, command.permanent_expansion_cc
    readings = command.test or ReadingsAtTest()
    percent = elastic = None
    if total is not None and permanent is not None and permanent <= total:
        percent, elastic = permanent / total * 100, elastic_cc(total_cc=total, permanent_cc=permanent)
    return Tested(
        readings=readings,
        total_expansion_cc=total,
        permanent_expansion_cc=permanent,
        permanent_percent=percent,
        elastic_cc=elastic,
        has_plus=readings.wants_plus and not is_wrong,
        has_eddy_current=readings.crack_thread_lengths is not None,
        rules=f"{rules.jurisdiction}, {rules.edition}"[:200],
    )
