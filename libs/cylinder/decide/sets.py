"""Twinsets: two cylinders, one manifold, one fill. What is done to one at the whip is decided for both, and recorded for both.

Pure. Each keeps its own look-over, its own blocks and its own record; the lower rating holds for the fill, and what
stops either stops both. Must never let one half of a set be filled on the other half's word.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from cylinder import commands as c
from cylinder.around import Around
from cylinder.decide.gates import STEP_WORDS, new_fact
from cylinder.facts import SetJoined, SetParted
from cylinder.recorded import NewFact, derived_id
from cylinder.refusal import Reason, Refused, refuse_if
from cylinder.visit import Visit

_FOR_BOTH = (
    c.SendPeopleOut, c.BlowOut, c.ConnectWhip, c.ReadResidual, c.Authorise, c.TakeReading, c.CompleteFill, c.ReadSettled,
    c.Analyse, c.TakeAsMeasured, c.SignContents, c.TapeValve, c.SetDownAt,
)  # fmt: skip
_TO_SAFETY = (c.StopFill, c.BleedWhip)
"""Done to both, and never kept back because the other half is not so far."""
_NOT_FOR_SETS = (c.PlanBlend,)
Decide = Callable[[Visit, c.Command, Around], tuple[NewFact, ...]]


def joined_with(state: Visit | None, command: c.Command, around: Around) -> tuple[Visit, c.Command] | None:
    """The other half of the set and the same command for it, where this one is for both."""
    if (
        state is None
        or state.joined is None
        or not isinstance(command, (*_FOR_BOTH, *_TO_SAFETY, *_NOT_FOR_SETS))
    ):
        return None
    other = next((one for one in around.open_visits if one.id == state.joined), None)
    if other is None and isinstance(command, _TO_SAFETY):
        return None
    if other is None:
        words = f"The other cylinder of tag {state.tag}'s set has left the floor. Part the set first."
        raise Refused([Reason("set.gone", words)])
    if isinstance(command, _TO_SAFETY) and not (other.is_filling or other.holds_whip is not None):
        return None
    # Its own page was not looked at: whether it has moved on is asked by its step.
    changed: dict[str, object] = {"key": derived_id(command.key, "other of the set"), "visit_id": other.id}
    changed |= {} if isinstance(command, c.SendPeopleOut) else {"version": None}
    return other, command.model_copy(update=changed)


def decide_both(
    decide: Decide,
    one: tuple[Visit, c.Command, Around],
    other: tuple[Visit, c.Command, Around],
) -> tuple[NewFact, ...]:
    """The facts of both halves, or every reason of either. Raises Refused."""
    mine, command, theirs = one[0], one[1], other[0]
    if isinstance(command, _NOT_FOR_SETS):
        words = f"Tags {mine.tag} and {theirs.tag} are one set: a blend is reckoned for one cylinder. Part the set, or fill it with what is banked."
        raise Refused([Reason("set.blend", words)])
    if isinstance(command, _FOR_BOTH) and mine.step != theirs.step:
        raise Refused([_not_so_far(mine, theirs)])
    facts: list[NewFact] = []
    reasons: list[Reason] = []
    for (half, asked, surroundings), whole in ((one, theirs), (other, mine)):
        alone = tuple(visit for visit in surroundings.open_visits if visit.id != whole.id)
        try:
            # Each by its own rating and its own dates: the lower one refuses for both.
            made = decide(half, asked, replace(surroundings, open_visits=alone))
        except Refused as refused:
            if half is mine or not isinstance(command, _TO_SAFETY):
                reasons += refused.reasons
        else:
            facts += [fact for fact in made if fact not in facts]
    refuse_if(list(dict.fromkeys(reasons)))
    return tuple(facts)


def join(state: Visit, command: c.JoinSet, around: Around) -> tuple[NewFact, ...]:
    """Two visits of one diver go together from here. Raises Refused."""
    other = next((one for one in around.open_visits if one.id == command.other_id), None)
    if other is None or other.id == state.id:
        raise Refused(
            [Reason("set.unknown", "The other cylinder has to be on the floor here, under a tag of its own.")]
        )
    reasons = []
    if other.diver_ref != state.diver_ref:
        reasons.append(Reason("set.two-divers", f"Tag {other.tag} is another diver's."))
    for half in (state, other):
        if half.joined is not None:
            reasons.append(Reason("set.joined-before", f"Tag {half.tag} is one of a set already."))
        if half.cylinder_id is None:
            reasons.append(Reason("set.unidentified", f"Say first which cylinder tag {half.tag} is."))
        if half.holds_whip is not None or half.gas_has_flowed or half.authorised is not None:
            reasons.append(
                Reason("set.on-whip", f"Tag {half.tag} is on a whip or was filled: too late to join it.")
            )
    if state.gas != other.gas:
        reasons.append(
            Reason("set.two-gases", "One manifold holds one gas: the two tags want different ones.")
        )
    if state.cylinder_id is not None and state.cylinder_id == other.cylinder_id:
        reasons.append(Reason("set.same-cylinder", "Both tags are the same cylinder."))
    refuse_if(reasons)
    return (
        new_fact(state, SetJoined(visit_id=state.id, other=other.id), around),
        new_fact(other, SetJoined(visit_id=other.id, other=state.id), around),
    )


def part(state: Visit, around: Around) -> tuple[NewFact, ...]:
    """Each goes on alone. Not while they are on a whip. Raises Refused."""
    if state.joined is None:
        raise Refused([Reason("set.none", f"Tag {state.tag} is of no set.")])
    other = next((one for one in around.open_visits if one.id == state.joined), None)
    halves = [state] if other is None else [state, other]
    on_whip = [half for half in halves if half.holds_whip is not None]
    refuse_if(
        [
            Reason("set.part-on-whip", f"Tag {half.tag} is on a whip. Bleed it and take it off first.")
            for half in on_whip
        ]
    )
    return tuple(
        new_fact(half, SetParted(visit_id=half.id, other=whole), around)
        for half, whole in zip(halves, (state.joined, state.id), strict=False)
    )


def given_apart(visits: tuple[Visit, ...], here: tuple[Visit, ...]) -> list[Reason]:
    """Halves of a set that are handed over without the other."""
    ids, tags = {one.id for one in visits}, {one.id: one.tag for one in here}
    return [
        Reason("hand-over.set", f"Tag {one.tag} is one set with tag {tags[one.joined]}: hand over both.")
        for one in visits
        if one.joined in tags and one.joined not in ids
    ]


def _not_so_far(mine: Visit, theirs: Visit) -> Reason:
    def at(visit: Visit) -> str:
        return "done" if visit.step == "done" else STEP_WORDS[visit.step]

    return Reason(
        "set.not-so-far",
        f'Tags {mine.tag} and {theirs.tag} are one set and go together: tag {mine.tag} is at "{at(mine)}", tag '
        f'{theirs.tag} at "{at(theirs)}". Bring both to the same question.',
    )
