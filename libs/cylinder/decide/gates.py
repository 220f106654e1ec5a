"""What every step asks before its own question: the order of work, the block, the hold, the other tablet."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator

from cylinder import commands as c
from cylinder.around import Around
from cylinder.clearing import INSPECTING
from cylinder.facts import Fact, StepName
from cylinder.marks import Marks
from cylinder.proof import Proof
from cylinder.recorded import NewFact, cylinder_subject, visit_subject
from cylinder.refusal import Reason, Refused, refuse_if
from cylinder.standing import Block, Standing
from cylinder.tags import serial_among
from cylinder.visit import STEPS, Visit
from rulebook import Pack, spec_known

STEP_OF: dict[type, StepName] = {
    c.Identify: "identify",
    c.TagUnread: "identify",
    c.LookOver: "outside",
    c.ReadDates: "dates",
    c.ReadRating: "rating",
    c.SeeStanding: "standing",
    c.BlowOut: "blow_out",
    c.ConnectWhip: "whip",
    c.ReadResidual: "residual",
    c.Authorise: "target",
    c.PlanBlend: "target",
    c.DoBlendStep: "fill",
    c.PlanBlendAnew: "fill",
    c.TakeBackBlendReading: "fill",
    c.TakeReading: "fill",
    c.CompleteFill: "fill",
    c.Analyse: "analyse",
    c.BleedWhip: "bleed",
    c.TapeValve: "tape",
    c.SetDownAt: "set_down",
}
"""The step that each command answers."""

STEP_WORDS: dict[StepName, str] = {
    "certification": "see the certification",
    "identify": "say which cylinder it is",
    "outside": "look over the outside",
    "dates": "read the dates",
    "rating": "read the rated pressure",
    "standing": "ask the network",
    "people_out": "send people out",
    "blow_out": "blow out the valve and look at the O-ring",
    "whip": "connect a whip",
    "residual": "read what is left in it",
    "target": "set the target",
    "fill": "fill",
    "analyse": "analyse the mix",
    "bleed": "bleed the whip and take it off",
    "tape": "tape the valve",
    "set_down": "set it down",
    "hand_over": "hand it over",
}

_WHILE_FILLING = (c.TakeReading, c.CompleteFill, c.DoBlendStep, c.PlanBlendAnew, c.TakeBackBlendReading)
_SAFE_WHEN_BLOCKED = (
    c.StopFill,
    c.BleedWhip,
    c.RackIt,
    c.Abandon,
    c.Reopen,
    c.Resume,
    c.HoldIt,
    c.PartSet,
    c.TakeAsMeasured,
)
"""What may still be done with a cylinder that is blocked: make it safe, put it away, correct a misreading.

Taking a mix as it reads answers its own hold, and looks at every block itself."""


CLOCK_JITTER = dt.timedelta(minutes=1)
"""How far a time may lie ahead of now, because a clock was set: further ahead, nobody knows how old it is."""


def known(state: Visit | None, command: c.VisitCommand, around: Around) -> Visit:
    """The visit, or Refused when there is none."""
    if state is None or state.version == 0:
        raise Refused(
            [Reason("visit.unknown", "There is no such visit at this shop. Start again from the board.")]
        )
    return state


def check_may_go_on(state: Visit, command: c.VisitCommand, around: Around) -> None:
    """Refuse, with every reason, what is out of order, out of date, blocked or on hold."""
    refuse_if(
        [
            *_moved_on(state, command, around),
            *_closed(state),
            *_out_of_order(state, command),
            *(
                []
                if isinstance(command, _SAFE_WHEN_BLOCKED)
                else [*against(state, around.standing), *on_hold(state)]
            ),
        ]
    )


def blocked(standing: Standing | None) -> Iterator[Reason]:
    """One reason for every block, condemnations first, saying who found what, where and when."""
    for block in standing.blocks if standing else ():
        yield block_reason(block)


def block_reason(block: Block) -> Reason:
    """One block as a reason."""
    return Reason(
        rule_id=f"standing.{block.kind}",
        words=f"{block.words} on {block.performed_on:%d %B %Y} at {block.node}: {block.reason}",
        source=block.clause or "network record",
        clause=block.criterion,
    )


def against(state: Visit, standing: Standing | None) -> Iterator[Reason]:
    """Every block; and for a cylinder that was identified, a standing that was not found counts as one."""
    yield from blocked(standing)
    if state.cylinder_id is None:
        return
    if standing is None or standing.cylinder_id != state.cylinder_id or not standing.marks:
        yield Reason(
            "standing.not-found",
            f"What the network holds against tag {state.tag} was not found. Do not fill it.",
        )
    elif serial_among(standing.marks) is None:
        yield Reason(
            "standing.serial-unread",
            "Its serial was never read: it goes by a tag. Marks have to be legible; an inspector reads it at the bench.",
            source="49 CFR 173.301(b)",
        )


def on_hold(state: Visit) -> Iterator[Reason]:
    """The reason why this visit waits, if it does."""
    if state.held is not None:
        yield Reason("visit.held", f"Tag {state.tag} is on hold: {state.held}")


def inspector_reasons(around: Around) -> Iterator[Reason]:
    """Why the one who asks may not judge a cylinder: no inspector, or not in date."""
    if around.actor.role != "inspector":
        yield Reason("bench.inspector", "Only an inspector may do that.")
    elif around.actor.certificate_until is None or around.actor.certificate_until < around.today:
        yield Reason("bench.certificate", "The inspector's certificate has run out, or is not on record.")


def proof_reasons(around: Around, on: dt.date) -> Iterator[Reason]:
    """Why good news of that day would count nowhere: no node would take it, so it is not recorded.

    By the very function that every node folds with.
    """
    proof, origin = Proof(around.credentials), around.origin
    if origin is None or not proof.stands(origin):
        yield Reason(
            "bench.key-in-doubt",
            "The key of this shop is in doubt: what it records lifts nothing until the safety officer has looked.",
        )
    if origin is None or not proof.is_certified(around.actor.id, INSPECTING, origin.node, on):
        yield Reason(
            "bench.not-on-record",
            f"This shop had no inspector's certificate of yours on record on {on.day} {on:%B %Y}, so no shop would "
            "count it.",
        )


def specs_claimed(rules: Pack, marks: Iterable[Marks]) -> tuple[str, ...]:
    """The types that these claims name, once each, leaving out what the rulebook does not know."""
    return tuple(sorted({key for one in marks if (key := spec_known(rules, one.spec)) is not None}))


def new_fact(state: Visit, fact: Fact, around: Around) -> NewFact:
    """A fact of this visit, about its cylinder once that is known."""
    subject = cylinder_subject(state.cylinder_id) if state.cylinder_id else visit_subject(state.id)
    return NewFact(fact=fact, subject=subject, performed_on=around.today, diver_ref=state.diver_ref)


def ago(then: dt.datetime | None, now: dt.datetime) -> str:
    """ "10 s ago", "3 min ago", "2 h ago"."""
    if then is None:
        return "never"
    seconds = max(0, int((now - then).total_seconds()))
    if seconds < 90:
        return f"{seconds} s ago"
    if seconds < 90 * 60:
        return f"{seconds // 60} min ago"
    if seconds < 48 * 3600:
        return f"{seconds // 3600} h ago"
    return f"{seconds // 86400} days ago"


def _moved_on(state: Visit, command: c.VisitCommand, around: Around) -> Iterator[Reason]:
    if command.version is not None and command.version != state.version:
        yield Reason(
            "visit.moved-on",
            f"Tag {state.tag} has moved on: another record was made {ago(state.last_at, around.now)}. "
            "Look at it again before you answer.",
        )


def _closed(state: Visit) -> Iterator[Reason]:
    if not state.is_open:
        yield Reason("visit.closed", f"Tag {state.tag} has left the floor; its visit is closed.")


def _out_of_order(state: Visit, command: c.VisitCommand) -> Iterator[Reason]:
    step = STEP_OF.get(type(command))
    if step is None or state.step == "done":
        return
    if state.is_filling and not isinstance(command, _WHILE_FILLING):
        yield Reason("visit.order", f"Tag {state.tag} is being filled. End or stop the fill first.")
        return
    if isinstance(command, c.BleedWhip) and state.holds_whip is not None:
        return  # What stands on a whip can be made safe, whatever step it stood at.
    at, asked = STEPS.index(state.step), STEPS.index(step)
    if asked > at:
        missing = [STEP_WORDS[each] for each in STEPS[at:asked] if not state.has_answered(each)]
        yield Reason("visit.order", f"Before that: {', then '.join(missing)}.")
    if asked < at and not isinstance(command, c.TakeReading):
        yield Reason(
            "visit.order", f"Tag {state.tag} has an answer to that. Take the answer back to change it."
        )
