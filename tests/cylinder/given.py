"""Given facts, when a command, then facts or the reasons why not: the one helper of the cylinder's stories.

Everything that a decision looks at is folded from the given facts, as a shop's desk does it; nothing is
imitated. Frozen data only: the time stands still, and ids follow from names.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from uuid import UUID, uuid5

from cylinder import commands as c
from cylinder import facts as f
from cylinder.around import Actor, Around, LookAlike
from cylinder.basis import Basis
from cylinder.decide import decide
from cylinder.facts import Fact
from cylinder.gases import GasOnHand
from cylinder.gather import Filed
from cylinder.marks import GasWanted, KeyedPressure, Marks
from cylinder.near import likeness
from cylinder.oxygen import OXYGEN_KINDS, OxygenService, oxygen_service_of
from cylinder.recorded import (
    HUB,
    NewFact,
    Origin,
    Recorded,
    actor_subject,
    cylinder_of,
    cylinder_subject,
    derived_id,
)
from cylinder.refusal import Reason, Refused
from cylinder.standing import Standing
from cylinder.visit import Visit, visit, visit_of
from rulebook import load

NAMES = UUID("0b9f5d0e-8f5b-5a43-9d0c-5a0d7a3f0c11")
NOW = dt.datetime(2026, 6, 15, 9, 0, tzinfo=dt.UTC)
TODAY = NOW.date()
RULES = load("us")
HERE, NEXT_DOOR = "anse-rouge", "le-phare"

OPERATOR = Actor("op-1", "operator")
INSPECTOR = Actor("in-1", "inspector", certificate="C-100", certificate_until=dt.date(2027, 1, 31))
LAPSED = Actor("in-2", "inspector", certificate="C-101", certificate_until=dt.date(2026, 6, 14))
MANAGER = Actor("ma-1", "manager")
OFFICER = Actor("of-1", "officer")


def an_id(name: str) -> UUID:
    """The one id of this name."""
    return uuid5(NAMES, name)


GREETING = an_id("greeting")
VISIT = derived_id(GREETING, "visit 1")
SECOND_VISIT = derived_id(GREETING, "visit 2")
KNOWN = an_id("a cylinder on record")
OTHER = an_id("another cylinder on record")
DIVER = "diver-0001"


def psi(value: float) -> KeyedPressure:
    """A pressure keyed in psi."""
    return KeyedPressure(value=value, unit="psi")


def bar(value: float) -> KeyedPressure:
    """A pressure keyed in bar."""
    return KeyedPressure(value=value, unit="bar")


MARKS = Marks(serial="B0471", maker="LX", spec="3AL", first_test="2019-03")


def marked(
    serial: str = MARKS.serial,
    maker: str = MARKS.maker,
    spec: str = MARKS.spec,
    first_test: str = MARKS.first_test,
) -> Marks:
    """The usual marks, but for what is named."""
    return Marks(serial=serial, maker=maker, spec=spec, first_test=first_test)


def origin(node: str, seq: int = 1, *, key: str = "first", log: str = "first", proven: bool = True) -> Origin:
    """A place in a shop's log; its first key and its first incarnation unless said otherwise."""
    return Origin(node, f"{key} key of {node}", an_id(f"{log} log of {node}"), seq, proven)


def a_fact(
    fact: Fact,
    name: str,
    *,
    cylinder: UUID | None = KNOWN,
    subject: str | None = None,
    actor: Actor = INSPECTOR,
    node: str = NEXT_DOOR,
    at: Origin | None = None,
    performed_on: dt.date = TODAY,
    clears: tuple[UUID, ...] = (),
) -> Recorded:
    """A fact as a log gives it back; by default one about the known cylinder, from the shop next door."""
    return Recorded(
        id=an_id(name),
        kind=fact.KIND,
        fact=fact,
        effect=fact.EFFECT,
        subject=subject or (cylinder_subject(cylinder) if cylinder else "bay/main"),
        performed_on=performed_on,
        at=NOW - dt.timedelta(hours=1),
        actor=actor.id,
        role=actor.role,
        origin=at or origin(node),
        clears=clears,
    )


def certified(
    actor: Actor,
    node: str = NEXT_DOOR,
    *,
    on: dt.date = dt.date(1, 1, 1),
    until: dt.date | None = None,
    name: str = "",
    at: Origin | None = None,
) -> Recorded:
    """The shop, or the hub, put on record who this is: from the first day of all unless said otherwise."""
    fact = f.ActorCertified.model_validate(
        {
            "actor_id": actor.id, "known_as": actor.id, "role": actor.role, "certificate": actor.certificate,
            "certificate_until": until.isoformat() if until else None,
        }
    )  # fmt: skip
    return a_fact(
        fact, name or f"{actor.id} as {actor.role} at {node} on {on}", subject=actor_subject(actor.id),
        actor=MANAGER, node=node, performed_on=on, at=at,
    )  # fmt: skip


CERTIFIED = (
    *(certified(who, node) for who in (OPERATOR, INSPECTOR, MANAGER) for node in (HERE, NEXT_DOOR)),
    *(certified(LAPSED, node, until=LAPSED.certificate_until) for node in (HERE, NEXT_DOOR)),
    certified(OFFICER, HUB),
)
"""Who everybody is: the staff at both shops, the officer at the hub."""


def registered(cylinder: UUID = KNOWN, marks: Marks = MARKS) -> Recorded:
    """The cylinder was put on record next door."""
    return a_fact(f.CylinderRegistered(marks=marks), f"registered {cylinder}", cylinder=cylinder)


def condemned(cylinder: UUID = KNOWN, serial: str = MARKS.serial, *, node: str = NEXT_DOOR) -> Recorded:
    """The cylinder was condemned, next door unless said otherwise."""
    fact = f.Condemned(
        reason="Crack across the neck threads",
        criterion_id="condemn.cracking",
        criterion="Cracked.",
        clause="49 CFR 180.205(i)(1)(iii), 2015 annual edition",
        serial_read=serial,
    )
    return a_fact(fact, f"condemned {cylinder}", cylinder=cylinder, node=node)


def rejected(cylinder: UUID = KNOWN) -> Recorded:
    """The cylinder was rejected next door."""
    fact = f.Rejected(reason="Deep pit", criterion_id="reject.outside", clause="49 CFR 180.205(h)")
    return a_fact(fact, f"rejected {cylinder}", cylinder=cylinder)


def failed(cylinder: UUID = KNOWN) -> Recorded:
    """The cylinder failed its inside look next door."""
    return a_fact(f.VisualFailed(findings="Rust inside"), f"failed {cylinder}", cylinder=cylinder)


def held(cylinder: UUID = KNOWN) -> Recorded:
    """The cylinder was put on hold next door."""
    fact = f.HoldPlaced(reason="Smells of oil")
    return a_fact(fact, f"held {cylinder}", cylinder=cylinder, actor=OPERATOR)


def rating_read(rated: KeyedPressure, name: str = "rating next door") -> Recorded:
    """The rating was read off the known cylinder next door."""
    fact = f.RatingRead(visit_id=an_id("a visit next door"), rated=rated)
    return a_fact(fact, name, actor=OPERATOR)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a command came to: new facts, or every reason why not."""

    facts: tuple[NewFact, ...]
    reasons: tuple[Reason, ...]

    def makes(self, *kinds: type[Fact]) -> tuple[NewFact, ...]:
        """Then exactly facts of these kinds, in this order."""
        assert self.reasons == (), f"refused: {[reason.words for reason in self.reasons]}"
        assert [type(new.fact) for new in self.facts] == list(kinds)
        return self.facts

    def is_refused_for(self, *rule_ids: str) -> tuple[Reason, ...]:
        """Then it is refused, for exactly these reasons, all at once."""
        assert self.facts == (), f"made {[new.fact.KIND for new in self.facts]}"
        assert sorted({reason.rule_id for reason in self.reasons}) == sorted(set(rule_ids))
        return self.reasons

    @property
    def words(self) -> str:
        """All that the person at the counter reads."""
        return " | ".join(reason.words for reason in self.reasons)


@dataclass(frozen=True, slots=True)
class Given:
    """The facts that a shop holds, and who asks, when, with how old news."""

    facts: tuple[Recorded, ...] = ()
    actor: Actor = OPERATOR
    now: dt.datetime = NOW
    news_age: dt.timedelta | None = dt.timedelta(minutes=5)
    staff: tuple[Recorded, ...] = CERTIFIED
    gases: tuple[GasOnHand, ...] = ()

    def by(self, actor: Actor) -> Given:
        """The same, but this person asks."""
        return replace(self, actor=actor)

    def later(self, **after: float) -> Given:
        """The same, this much later."""
        return replace(self, now=self.now + dt.timedelta(**after))

    def with_news(self, age: dt.timedelta | None) -> Given:
        """The same, but the shop last heard the network this long ago."""
        return replace(self, news_age=age)

    def but(self, *facts: Recorded) -> Given:
        """The same, and these facts arrived after."""
        return replace(self, facts=(*self.facts, *facts))

    def do(self, *asked: c.Command) -> Given:
        """The same, after these commands were carried out. A refusal is a broken story."""
        after = self
        for command in asked:
            outcome = after.when(command)
            assert not outcome.reasons, f"{command.command} refused: {outcome.words}"
            after = after.but(*after.recorded(outcome.facts))
        return after

    def recorded(self, new: tuple[NewFact, ...]) -> tuple[Recorded, ...]:
        """New facts as this shop's log would keep them."""
        return tuple(
            Recorded(
                id=an_id(f"event {len(self.facts) + n}"),
                kind=one.fact.KIND,
                fact=one.fact,
                effect=one.fact.EFFECT,
                subject=one.subject,
                performed_on=one.performed_on,
                at=self.now,
                actor=self.actor.id,
                role=self.actor.role,
                origin=origin(HERE, len(self.facts) + n),
                diver_ref=one.diver_ref,
                clears=one.clears,
            )
            for n, one in enumerate(new)
        )

    def when(self, command: c.Command) -> Outcome:
        """Decide, once."""
        try:
            return Outcome(decide(self._state(command), command, self.around(command)), ())
        except Refused as refused:
            return Outcome((), refused.reasons)

    def visit(self, visit_id: UUID = VISIT) -> Visit:
        """Where a visit stands."""
        return visit(visit_id, self.facts)

    def standing(self, cylinder_id: UUID = KNOWN) -> Standing:
        """What is held against a cylinder."""
        filed = Filed()
        for fact in (*self.staff, *self.facts):
            filed.put(fact)
        return filed.standing(cylinder_id)

    def oxygen(self, cylinder_id: UUID = KNOWN, *, months: int = 12) -> OxygenService:
        """Whether a cylinder is clean for oxygen today."""
        known = self.standing(cylinder_id)
        subjects = {cylinder_subject(one) for one in (cylinder_id, *known.linked)}
        return oxygen_service_of(
            (fact for fact in self.facts if fact.subject in subjects and fact.kind in OXYGEN_KINDS),
            self.now.date(),
            standing=known,
            credentials=(*self.staff, *self.facts),
            months=months,
        )

    def around(self, command: c.Command) -> Around:
        """The surroundings that the given facts make for this command."""
        state = self._state(command)
        cylinder_id = getattr(command, "cylinder_id", None) or (state.cylinder_id if state else None)
        visit_ids = dict.fromkeys(
            found for fact in self.facts if fact.node == HERE and (found := visit_of(fact))
        )
        cylinders = self._cylinders()
        on_record = cylinder_id in cylinders
        return Around(
            now=self.now,
            today=self.now.date(),
            actor=self.actor,
            rules=RULES,
            origin=origin(HERE, len(self.facts) + 1),
            credentials=(*self.staff, *self.facts),
            standing=self.standing(cylinder_id) if cylinder_id and on_record else None,
            oxygen=self.oxygen(cylinder_id) if cylinder_id and on_record else None,
            standings=tuple(self.standing(one) for one in cylinders)
            if isinstance(command, c.HandOver)
            else (),
            basis=self._basis(command),
            look_alikes=self._look_alikes(command),
            gases=self.gases,
            open_visits=tuple(one for v in visit_ids if (one := self.visit(v)).is_open),
            people_out_at=self._people_out_at(),
            news_age=self.news_age,
        )

    def _basis(self, command: c.Command) -> Basis | None:
        if not isinstance(command, c.SecondAnnulment | c.AssignBlock):
            return None
        return Basis.of(command.cylinder_id, self.facts, (*self.staff, *self.facts))

    def _cylinders(self) -> tuple[UUID, ...]:
        return tuple(dict.fromkeys(found for fact in self.facts if (found := cylinder_of(fact.subject))))

    def _state(self, command: c.Command) -> Visit | None:
        visit_id = getattr(command, "visit_id", None)
        return self.visit(visit_id) if isinstance(visit_id, UUID) else None

    def _look_alikes(self, command: c.Command) -> tuple[LookAlike, ...]:
        if not isinstance(command, c.Identify | c.Register | c.ReadTagged):
            return ()
        keyed = command.serial if isinstance(command, c.ReadTagged) else command.marks.serial
        found: list[LookAlike] = []
        for cylinder_id in self._cylinders():
            held_of = self.standing(cylinder_id)
            for claim in held_of.marks:
                near = likeness(keyed, claim.serial)
                if near is not None:
                    found.append(LookAlike(cylinder_id, claim, held_of, near))
                    break
        return tuple(found)

    def _people_out_at(self) -> dt.datetime | None:
        since: dt.datetime | None = None
        for fact in self.facts:
            if isinstance(fact.fact, f.PeopleOut):
                since = fact.at
            elif isinstance(fact.fact, f.DoorOpened):
                since = None
        return since


# The commands of a plain air visit, each as a person at the counter would make it.


def greet(*gases: GasWanted, nitrox: bool = False, trimix: bool = False) -> c.Greet:
    """Take in one cylinder for air, or one for each gas."""
    wanted = gases or (GasWanted(),)
    return c.Greet(
        key=GREETING,
        diver_ref=DIVER,
        level="Open water",
        covers_nitrox=nitrox,
        covers_trimix=trimix,
        cylinders=tuple(c.Taken(tag=n, gas=gas) for n, gas in enumerate(wanted, start=1)),
    )


def identify(
    marks: Marks = MARKS,
    *,
    second: str | None = None,
    chosen: UUID | None = None,
    another: bool = False,
    visit_id: UUID = VISIT,
) -> c.Identify:
    """Key the marks."""
    return c.Identify(
        key=an_id(f"identify {visit_id}"),
        visit_id=visit_id,
        marks=marks,
        second_serial=second,
        chosen=chosen,
        is_another=another,
    )


def look_over(*, sound: bool = True, note: str = "") -> c.LookOver:
    """Look at the outside."""
    return c.LookOver(key=an_id("look over"), visit_id=VISIT, sound=sound, note=note)


def read_dates(requalified: str | None = "2024-03", looked_inside: str | None = "2026-01") -> c.ReadDates:
    """Read stamp and sticker."""
    return c.ReadDates(
        key=an_id("dates"), visit_id=VISIT, requalified=requalified, looked_inside=looked_inside
    )


def read_rating(rated: KeyedPressure | None = None, *, sure: bool = False) -> c.ReadRating:
    """Read the rated pressure; 3000 psi unless said otherwise."""
    return c.ReadRating(key=an_id("rating"), visit_id=VISIT, rated=rated or psi(3000), unit_is_sure=sure)


def see_standing(supervised: str = "") -> c.SeeStanding:
    """Ask the network."""
    return c.SeeStanding(key=an_id("standing"), visit_id=VISIT, supervised=supervised)


def send_people_out(visit_id: UUID | None = VISIT) -> c.SendPeopleOut:
    """Everybody out."""
    return c.SendPeopleOut(key=an_id("people out"), visit_id=visit_id)


def blow_out() -> c.BlowOut:
    """Crack the valve."""
    return c.BlowOut(key=an_id("blow out"), visit_id=VISIT, is_blown_out=True, o_ring="good")


def connect_whip(whip: int = 1, visit_id: UUID = VISIT) -> c.ConnectWhip:
    """Onto a whip."""
    return c.ConnectWhip(key=an_id("whip"), visit_id=visit_id, whip=whip)


def read_residual(residual: KeyedPressure | None = None) -> c.ReadResidual:
    """Read what is left; 500 psi unless said otherwise."""
    return c.ReadResidual(key=an_id("residual"), visit_id=VISIT, residual=residual or psi(500))


def authorise(target: KeyedPressure | None = None) -> c.Authorise:
    """Start the fill; to 3000 psi unless said otherwise."""
    return c.Authorise(key=an_id("authorise"), visit_id=VISIT, target=target or psi(3000))


def take_reading(reading: KeyedPressure) -> c.TakeReading:
    """Key the gauge."""
    return c.TakeReading(key=an_id("reading"), visit_id=VISIT, reading=reading)


def complete(end: KeyedPressure | None = None) -> c.CompleteFill:
    """End the fill; at 2980 psi unless said otherwise."""
    return c.CompleteFill(key=an_id("complete"), visit_id=VISIT, end=end or psi(2980))


def stop(at: KeyedPressure | None = None) -> c.StopFill:
    """Stop the fill."""
    return c.StopFill(key=an_id("stop"), visit_id=VISIT, why="Hissing at the yoke", at=at)


def analyse(
    oxygen_percent: float, helium_percent: float = 0.0, *, again: float | None = None, helium_again: float | None = None,
) -> c.Analyse:  # fmt: skip
    """Record the analysis: both readings the same unless said otherwise, the analyser calibrated in air 20 min ago."""
    return c.Analyse(
        key=an_id(f"analyse {again}"),
        visit_id=VISIT,
        oxygen_percent=oxygen_percent,
        helium_percent=helium_percent,
        again_oxygen_percent=oxygen_percent if again is None else again,
        again_helium_percent=helium_percent if helium_again is None else helium_again,
        analyser="Cell 2",
        calibrated_min_ago=20,
        calibrated_in="air",
    )


def take_as_measured(finding: str = "The diver takes it as it reads") -> c.TakeAsMeasured:
    """Somebody qualified says so."""
    return c.TakeAsMeasured(key=an_id("take"), visit_id=VISIT, finding=finding)


def sign(oxygen_percent: float, helium_percent: float = 0.0, *, visit_id: UUID = VISIT) -> c.SignContents:
    """The diver signs for these figures."""
    return c.SignContents(
        key=an_id(f"sign {visit_id}"), visit_id=visit_id, oxygen_percent=oxygen_percent, helium_percent=helium_percent,
        how="drawn", mark_sha256="5e" * 32,
    )  # fmt: skip


def bleed() -> c.BleedWhip:
    """Off the whip."""
    return c.BleedWhip(key=an_id("bleed"), visit_id=VISIT)


def tape() -> c.TapeValve:
    """Tape on."""
    return c.TapeValve(key=an_id("tape"), visit_id=VISIT)


def set_down(slot: int = 7) -> c.SetDownAt:
    """Onto the floor."""
    return c.SetDownAt(key=an_id("set down"), visit_id=VISIT, slot=slot)


def hand_over(*visit_ids: UUID, diver: str = DIVER) -> c.HandOver:
    """Back to the diver."""
    return c.HandOver(key=an_id("hand over"), diver_ref=diver, visit_ids=visit_ids or (VISIT,))


def hold_it(why: str = "Smells odd") -> c.HoldIt:
    """Hold the visit."""
    return c.HoldIt(key=an_id("hold"), visit_id=VISIT, why=why)


def resume(finding: str = "Looked at; fit to go on") -> c.Resume:
    """Go on."""
    return c.Resume(key=an_id("resume"), visit_id=VISIT, finding=finding)


def reopen(step: f.StepName) -> c.Reopen:
    """Take an answer back."""
    return c.Reopen(key=an_id(f"reopen {step}"), visit_id=VISIT, step=step)


def rack_it() -> c.RackIt:
    """Into the red rack."""
    return c.RackIt(key=an_id("rack"), visit_id=VISIT)


def abandon() -> c.Abandon:
    """It leaves unfilled."""
    return c.Abandon(key=an_id("abandon"), visit_id=VISIT, why="Diver changed plans")


def air_route() -> tuple[c.Command, ...]:
    """Every command of a plain air fill, from the counter to the floor."""
    return (
        greet(), identify(), look_over(), read_dates(), read_rating(), see_standing(), send_people_out(),
        blow_out(), connect_whip(), read_residual(), authorise(), complete(), bleed(), tape(), set_down(),
    )  # fmt: skip


def up_to(step: f.StepName, given: Given | None = None) -> Given:
    """The plain air visit of the known cylinder, up to the step that is asked next."""
    after = given or Given((registered(),))
    for command in air_route():
        if after.visit().version and after.visit().step == step:
            break
        after = after.do(command)
    assert after.visit().step == step
    return after
