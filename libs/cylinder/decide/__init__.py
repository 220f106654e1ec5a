"""The decision: a state, a command and its surroundings in; new facts out, or every reason why not.

Pure. `decide` raises Refused with all reasons at once and nothing else; whatever else escapes is a bug.
"""

from __future__ import annotations

from typing import assert_never

from cylinder import commands as c
from cylinder.around import Around
from cylinder.decide import (
    analyse,
    annul,
    bench,
    blend,
    connect,
    fill,
    gates,
    greet,
    identify,
    look_over,
    oxygen,
    same_metal,
    sets,
    settle,
    tags,
    tape,
)
from cylinder.recorded import NewFact
from cylinder.visit import Visit


def decide(state: Visit | None, command: c.Command, around: Around) -> tuple[NewFact, ...]:
    """The facts that `command` makes. `state` is the visit it names, or None when it names none.

    Raises Refused.
    """
    match command:
        case c.Greet():
            return greet.greet(command, around)
        case c.SendPeopleOut():
            return connect.send_people_out(state, command, around)
        case c.SayDoorOpened():
            return connect.say_door_opened(around)
        case c.HandOver():
            return tape.hand_over(command, around)
        case c.Register():
            return identify.register(command, around)
        case c.SecondAnnulment():
            return annul.second(command, around)
        case c.AssignBlock():
            return same_metal.assign(command, around)
        case c.ReadTagged():
            return tags.read_tagged(command, around)
        case (
            c.Inspect() | c.PassVisual() | c.FailVisual() | c.Requalify() | c.Reject() | c.Condemn() | c.MakeUnusable()
            | c.PlaceHold() | c.ReleaseHold() | c.NotifyOwner() | c.CleanForOxygen() | c.EndOxygenService()
        ):  # fmt: skip
            return bench.judge(command, around)
        case _:
            return _decide_visit(gates.known(state, command, around), command, around)


def _decide_visit(state: Visit, command: c.VisitCommand, around: Around) -> tuple[NewFact, ...]:
    gates.check_may_go_on(state, command, around)
    match command:
        case c.Identify():
            return identify.identify(state, command, around)
        case c.TagUnread():
            return tags.tag_unread(state, command, around)
        case c.JoinSet():
            return sets.join(state, command, around)
        case c.PartSet():
            return sets.part(state, around)
        case c.LookOver():
            return look_over.look_over(state, command, around)
        case c.ReadDates():
            return look_over.read_dates(state, command, around)
        case c.ReadRating():
            return look_over.read_rating(state, command, around)
        case c.SeeStanding():
            return look_over.see_standing(state, command, around)
        case c.BlowOut():
            return connect.blow_out(state, command, around)
        case c.ConnectWhip():
            return connect.connect_whip(state, command, around)
        case c.ReadResidual():
            return connect.read_residual(state, command, around)
        case c.Authorise():
            return fill.authorise(state, command, around)
        case c.TakeReading():
            return fill.take_reading(state, command, around)
        case c.PlanBlend():
            return blend.plan(state, command, around)
        case c.DoBlendStep():
            return blend.do_step(state, command, around)
        case c.PlanBlendAnew():
            return blend.plan_anew(state, command, around)
        case c.TakeBackBlendReading():
            return blend.take_back(state, around)
        case c.CompleteFill():
            blend.not_by_hand(state)
            return fill.complete(state, command, around)
        case c.StopFill():
            return fill.stop(state, command, around)
        case c.ReadSettled():
            return settle.read_settled(state, command, around)
        case c.Analyse():
            return analyse.analyse(state, command, around)
        case c.TakeAsMeasured():
            return analyse.take_as_measured(state, command, around)
        case c.SignContents():
            return analyse.sign(state, command, around)
        case c.BleedWhip():
            return tape.bleed(state, around)
        case c.TapeValve():
            return tape.tape_valve(state, around)
        case c.SetDownAt():
            return tape.set_down(state, command, around)
        case c.HoldIt():
            return look_over.hold_it(state, command, around)
        case c.Resume():
            return look_over.resume(state, command, around)
        case c.SayGasFit():
            return oxygen.say_gas_fit(state, command, around)
        case c.Reopen():
            return look_over.reopen(state, command, around)
        case c.RackIt():
            return tape.rack_it(state, around)
        case c.Abandon():
            return tape.abandon(state, command, around)
        case _:
            assert_never(command)
