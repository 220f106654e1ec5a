"""Standing: a set of facts and a pure function, whatever the order, the duplicates and the batches."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.cylinder.given import (
    CERTIFIED,
    INSPECTOR,
    KNOWN,
    MANAGER,
    OFFICER,
    OPERATOR,
    TODAY,
    a_fact,
    an_id,
    bar,
    condemned,
    failed,
    held,
    marked,
    psi,
    rating_read,
    registered,
    rejected,
)

from cylinder import facts as f
from cylinder.around import Actor
from cylinder.clearing import CLEARED_BY
from cylinder.facts import EffectName, Fact, UnknownFact
from cylinder.recorded import Recorded
from cylinder.standing import Standing, digest, standing

FAST = settings(max_examples=80, deadline=None)
BLOCKS = (condemned(), rejected(), failed(), held(), a_fact(f.RenderedUnusable(how="Drilled"), "drilled"))
BLOCK_IDS = [block.id for block in BLOCKS]


def found_in(facts: Iterable[Recorded]) -> Standing:
    """The standing of the known cylinder, everybody being who they say they are."""
    return standing(KNOWN, facts, CERTIFIED)


def unknown(effect: EffectName, name: str = "from newer software", clears: tuple[UUID, ...] = ()) -> Recorded:
    fact = a_fact(UnknownFact(kind="cylinder.made_of_cheese", version=3), f"{name} {effect}", clears=clears)
    return replace(fact, kind="cylinder.made_of_cheese", effect=effect)


@st.composite
def clears(draw: st.DrawFn) -> Recorded:
    """A clear of any kind, by any role, that names any blocks."""
    facts: list[Fact] = [
        f.HoldReleased(finding="x"),
        f.VisualPassed(rated=psi(3000)),
        f.Requalified(method="proof", rated=bar(207)),
    ]
    fact = draw(st.sampled_from(facts))
    actor = draw(st.sampled_from([INSPECTOR, OPERATOR, MANAGER, OFFICER]))
    named = tuple(draw(st.lists(st.sampled_from([*BLOCK_IDS, an_id("nothing")]), max_size=4)))
    day = TODAY - dt.timedelta(days=draw(st.integers(0, 900)))
    n = draw(st.integers(0, 10**9))
    return a_fact(
        fact,
        f"clear {n} {fact.KIND} {actor.role} {named} {day}",
        actor=actor,
        clears=named,
        performed_on=day,
    )


NEUTRAL = st.sampled_from(
    [
        registered(),
        registered(
            KNOWN, marked(maker="QV")
        ),  # The same id with another content: a fault, and still no order.
        replace(failed(), effect="neutral"),
        rating_read(psi(3000)),
        rating_read(psi(3442), "another"),
        unknown("neutral"),
        unknown("block"),
        unknown("clear", clears=tuple(BLOCK_IDS)),
    ]
)
FACTS = st.lists(st.one_of(st.sampled_from(BLOCKS), clears(), NEUTRAL), max_size=12)


@FAST
@given(FACTS, st.data())
def test_order_duplicates_and_batches_make_no_difference(facts: list[Recorded], data: st.DataObject) -> None:
    shuffled = data.draw(st.permutations(facts))
    again = data.draw(st.lists(st.sampled_from(facts), max_size=6)) if facts else []
    once, other = found_in(facts), found_in([*shuffled, *again])
    assert once == other
    assert digest([once]) == digest([other])


@FAST
@given(FACTS)
def test_one_more_block_never_makes_a_cylinder_clear(facts: list[Recorded]) -> None:
    for block in BLOCKS:
        before = {one.id for one in found_in(facts).blocks}
        after = {one.id for one in found_in([*facts, block]).blocks}
        assert before <= after


@FAST
@given(FACTS)
def test_a_condemned_cylinder_is_condemned_whatever_else_is_recorded(facts: list[Recorded]) -> None:
    found = found_in([*facts, condemned()])
    assert found.is_condemned
    assert not found.is_clear


@FAST
@given(FACTS)
def test_only_an_inspectors_clear_that_names_a_block_lifts_it(facts: list[Recorded]) -> None:
    remaining = {block.id for block in found_in(facts).blocks}
    assert remaining <= {fact.id for fact in facts if fact.effect == "block"}
    for block in (fact for fact in facts if fact.effect == "block"):
        lifted = any(
            clear.role == "inspector"
            and block.id in clear.clears
            and clear.kind in CLEARED_BY.get(block.kind, {})
            for clear in facts
            if clear.effect == "clear"
        )
        assert (block.id not in remaining) == lifted


def test_a_block_of_an_unknown_kind_blocks_and_an_unknown_clear_is_ignored() -> None:
    found = found_in([unknown("block"), unknown("clear", clears=(unknown("block").id,))])
    assert [block.words for block in found.blocks] == ["Blocked"]
    found = found_in([held(), unknown("clear", clears=(held().id,))])
    assert [block.id for block in found.blocks] == [held().id]


def test_of_two_contents_under_one_id_the_block_counts() -> None:
    other = replace(registered(), id=condemned().id)
    for facts in ([condemned(), other], [other, condemned()]):
        assert found_in(facts).is_condemned


def test_a_clear_that_arrives_before_its_block_counts() -> None:
    release = a_fact(f.HoldReleased(finding="x"), "release", clears=(held().id,))
    assert found_in([release, held()]).is_clear


def test_a_condemnation_uploaded_a_week_late_wins_over_a_pass_that_could_not_name_it() -> None:
    late = replace(condemned(), performed_on=TODAY - dt.timedelta(days=7))
    passed = a_fact(f.VisualPassed(), "passed", clears=(held().id,))
    assert found_in([held(), passed, late]).is_condemned


@pytest.mark.parametrize("actor", [OPERATOR, MANAGER])
def test_a_pass_by_somebody_who_may_not_inspect_lifts_nothing_and_dates_nothing(actor: Actor) -> None:
    passed = a_fact(f.VisualPassed(rated=psi(4500)), "passed", actor=actor, clears=(held().id,))
    found = found_in([held(), passed])
    assert (found.is_clear, found.looked_inside, found.rated) == (False, None, None)


def test_of_two_first_readings_made_apart_the_lower_rating_counts() -> None:
    assert found_in([rating_read(psi(3442)), rating_read(psi(3000), "b")]).rated == psi(3000)
    disputed = f.RatingRead(visit_id=an_id("v"), rated=psi(2400), on_record=psi(3000), agrees=False)
    assert found_in([rating_read(psi(3000)), a_fact(disputed, "disputed")]).rated == psi(3000)


def test_the_benchs_latest_rating_is_the_record() -> None:
    old = a_fact(f.VisualPassed(rated=psi(2400)), "old", performed_on=TODAY - dt.timedelta(days=30))
    new = a_fact(f.Requalified(method="proof", rated=psi(3000)), "new")
    assert found_in([new, old, rating_read(psi(1800))]).rated == psi(3000)


def test_the_latest_look_is_by_the_day_it_was_made() -> None:
    early = a_fact(f.VisualPassed(), "z early", performed_on=dt.date(2025, 2, 1))
    late = a_fact(f.VisualPassed(), "a late", performed_on=dt.date(2026, 2, 1), actor=INSPECTOR)
    assert found_in([late, early]).looked_inside == "2026-02"


@pytest.mark.parametrize(
    "at",
    [
        dt.datetime(1, 1, 1, tzinfo=dt.timezone(dt.timedelta(hours=14))),
        dt.datetime(9999, 12, 31, 23, tzinfo=dt.timezone(dt.timedelta(hours=-12))),
    ],
)
def test_no_clock_and_no_day_makes_the_fold_fail(at: dt.datetime) -> None:
    blocks = [replace(condemned(), at=at, performed_on=dt.date(1, 1, 1))]
    passed = [a_fact(f.VisualPassed(), "passed", performed_on=dt.date(1, 1, 1))]
    found = found_in([*blocks, *passed])
    assert (found.is_condemned, found.looked_inside) == (True, "0001-01")


def test_the_worst_is_said_first() -> None:
    kinds = [block.kind for block in found_in([held(), failed(), condemned()]).blocks]
    assert kinds == [f.Condemned.KIND, f.VisualFailed.KIND, f.HoldPlaced.KIND]
