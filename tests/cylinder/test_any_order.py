"""Standing is a function of a set: no order, no second copy and no batch changes it, and bad news only makes it worse."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.cylinder.given import an_id
from tests.cylinder.histories import (
    BAD_NEWS,
    CYLINDERS,
    EVERYTHING,
    PEOPLE,
    drawn,
    filed,
    held_against,
    standings,
)

from cylinder.gather import Filed, gather, touched_by
from cylinder.proof import CREDENTIAL_KINDS
from cylinder.recorded import Recorded
from cylinder.standing import Standing, digest, standing

ORDERS = 100_000
ORDERS_A_HISTORY = 50

THOROUGH = settings(max_examples=300, deadline=None)
SEEDS = st.integers(0, 2**32)
HISTORIES = st.one_of(
    SEEDS.map(lambda seed: drawn(Random(seed))),
    st.lists(st.sampled_from(EVERYTHING), max_size=14).map(lambda facts: [*PEOPLE, *facts]),
)


@THOROUGH
@given(HISTORIES, SEEDS)
def test_any_order_and_any_copies_give_the_same_standing(history: list[Recorded], seed: int) -> None:
    random = Random(seed)
    other = [*history, *random.choices(history, k=5)]
    random.shuffle(other)
    once, again = standings(history), standings(other)
    assert once == again
    assert digest(once.values()) == digest(again.values())


@THOROUGH
@given(HISTORIES, SEEDS)
def test_folding_only_what_a_fact_touches_leaves_no_standing_behind(
    history: list[Recorded], seed: int
) -> None:
    """As a store does it: file a batch, fold what it touches, keep the rest."""
    random = Random(seed)
    random.shuffle(history)
    kept: dict[object, Standing] = {}
    found = Filed()
    for start in range(0, len(history), size := random.randint(1, 4)):
        batch = history[start : start + size]
        for fact in batch:
            found.put(fact)
        for cylinder in {one for fact in batch for one in touched_by(fact, found)}:
            kept[cylinder] = found.standing(cylinder)
    assert kept == {cylinder: filed(history).standing(cylinder) for cylinder in found.cylinders()}


@THOROUGH
@given(HISTORIES)
def test_what_is_gathered_is_all_that_counts(history: list[Recorded]) -> None:
    found = filed(history)
    for cylinder in CYLINDERS:
        assert set(gather(cylinder, found.look).facts) <= set(history)
        assert found.standing(cylinder) == standing(cylinder, history, history)


@settings(max_examples=600, deadline=None)
@given(HISTORIES, st.sampled_from(BAD_NEWS))
def test_a_block_a_doubt_a_withdrawal_or_a_link_never_lifts_a_block(
    history: list[Recorded], news: Recorded
) -> None:
    before, after = held_against(history), held_against([*history, news])
    for cylinder in CYLINDERS:
        assert before[cylinder] <= after[cylinder]


@THOROUGH
@given(HISTORIES, st.sampled_from([news for news in BAD_NEWS if news.effect == "block"]))
def test_a_block_that_no_clear_has_named_always_blocks(history: list[Recorded], news: Recorded) -> None:
    unnamed = replace(news, id=an_id("a block that nobody has seen"))
    assert any(unnamed.id in found for found in held_against([*history, unnamed]).values())


@pytest.mark.slow
def test_a_hundred_thousand_orders_of_two_thousand_histories() -> None:
    random, orders, blocked, cleared = Random(20260615), 0, 0, 0
    while orders < ORDERS:
        history = drawn(random, most=8)
        cylinder = random.choice(CYLINDERS)
        credentials = [fact for fact in history if fact.kind in CREDENTIAL_KINDS]
        facts = [fact for fact in history if fact.kind not in CREDENTIAL_KINDS]
        first = standing(cylinder, facts, credentials)
        blocked += not first.is_clear
        cleared += any(fact.effect == "block" for fact in history) and first.is_clear
        for _ in range(ORDERS_A_HISTORY):
            random.shuffle(facts)
            random.shuffle(credentials)
            assert standing(cylinder, facts, credentials) == first
        orders += ORDERS_A_HISTORY
    assert blocked > 200
    assert cleared > 200
