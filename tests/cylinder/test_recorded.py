"""Reading a stored fact never fails: what does not fit is unknown, and its effect still counts."""

from __future__ import annotations

import datetime as dt
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import JsonValue
from tests.cylinder.examples import EXAMPLES
from tests.cylinder.given import KNOWN, NOW, TODAY, an_id, origin

from cylinder import facts as f
from cylinder.facts import KINDS, UnknownFact
from cylinder.recorded import cylinder_of, recorded
from cylinder.standing import standing
from eventlog.event import Effect, Event, Seen

JSON: st.SearchStrategy[JsonValue] = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**40), 10**40)
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["2024-13", "psi", "\ud800", str(KNOWN), 10**400, "\x00"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)
NAMES = sorted({name for kind in KINDS.values() for name in kind.model_fields})
BODIES = st.dictionaries(st.sampled_from(NAMES) | st.text(max_size=6), JSON, max_size=5)


def an_event(kind: str, body: dict[str, JsonValue], *, v: int = 1, effect: Effect = Effect.NEUTRAL) -> Event:
    # Built without another look at the body: it is what a log gave back.
    return Event.model_construct(
        id=an_id("event"), kind=kind, v=v, effect=effect, subject=f"cylinder/{KNOWN}", body=body,
        performed_on=TODAY, at=NOW, seen=Seen(), actor="x", role="inspector", software="x", diver_ref=None,
        clears=(),
    )  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(sorted(KINDS)), BODIES, st.sampled_from(list(Effect)))
def test_no_body_makes_the_reading_fail(
    kind: tuple[str, int], body: dict[str, JsonValue], effect: Effect
) -> None:
    record = recorded(an_event(kind[0], body, effect=effect), origin("le-phare"))
    standing(KNOWN, [record], [])


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(sorted(EXAMPLES)), st.data())
def test_one_field_gone_wrong_makes_the_fact_unknown_or_leaves_it_a_fact_of_its_kind(
    kind: tuple[str, int], data: st.DataObject
) -> None:
    body: dict[str, JsonValue] = EXAMPLES[kind].model_dump(mode="json")
    if body:
        body[data.draw(st.sampled_from(sorted(body)))] = data.draw(JSON)
    record = recorded(an_event(kind[0], body), origin("le-phare"))
    assert isinstance(record.fact, (KINDS[kind], UnknownFact))


def test_a_body_that_is_nested_a_thousand_deep_is_unknown() -> None:
    deep: JsonValue = 0
    for _ in range(1000):
        deep = [deep]
    record = recorded(an_event("cylinder.registered", {"marks": deep}), origin("le-phare"))
    assert isinstance(record.fact, UnknownFact)


@pytest.mark.parametrize("v", [1, 2, 99])
@pytest.mark.parametrize("effect", list(Effect))
def test_a_blocking_kind_blocks_whatever_its_header_version_and_body(v: int, effect: Effect) -> None:
    record = recorded(an_event(f.Condemned.KIND, {"nonsense": 1}, v=v, effect=effect), origin("le-phare"))
    assert record.effect == "block"
    assert standing(KNOWN, [record], []).is_condemned


def test_an_unknown_kind_keeps_the_effect_of_its_header() -> None:
    for effect in Effect:
        assert (
            recorded(an_event("cylinder.made_of_cheese", {}, effect=effect), origin("le-phare")).effect
            == effect.value
        )


@pytest.mark.parametrize("subject", ["visit/x", "cylinder/x", "cylinder/", "", "bay/main"])
def test_a_subject_that_names_no_cylinder_is_none(subject: str) -> None:
    assert cylinder_of(subject) is None


def test_a_block_reaches_its_cylinder_however_the_id_is_spelled() -> None:
    cylinder_id = UUID("0195a0f2-0000-7000-8000-00000000abcd")
    for spelled in (str(cylinder_id).upper(), cylinder_id.hex):
        event = Event(
            id=UUID(int=7),
            kind="cylinder.made_of_cheese",
            v=1,
            effect=Effect.BLOCK,
            subject=f"cylinder/{spelled}",
            body={},
            performed_on=dt.date(2026, 6, 15),
            at=dt.datetime(2026, 6, 15, 9, 30, tzinfo=dt.UTC),
            seen=Seen(),
            actor="a",
            role="inspector",
            software="newer",
        )
        assert recorded(event, origin("pier")).subject == f"cylinder/{cylinder_id}"
