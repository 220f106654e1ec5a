"""Where a command becomes facts: look up, decide once, act once, in one transaction.

The only way to write a fact at this shop. Must never decide anything itself, or look anything up
outside the transaction that acts on it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from threading import Lock
from uuid import UUID

import structlog

from branch import fill_memory
from branch.gases import gases_on_hand, trained_until
from branch.live import Live
from branch.settings import ShopSettings
from branch.store import Appended, BranchStore, Tx
from branch.store import views as look
from branch.store.rows import Cursor, node_row, standing_row
from branch.time_floor import TimeFloor
from cylinder import commands as c
from cylinder.around import Actor, Around, HousePolicy
from cylinder.decide import decide
from cylinder.decide.sets import decide_both, joined_with
from cylinder.facts import CylinderRegistered
from cylinder.oxygen import OxygenService
from cylinder.proof import covered_work
from cylinder.recorded import Origin, Recorded, cylinder_of
from cylinder.refusal import Refused
from cylinder.standing import Standing
from cylinder.visit import Visit, evolve, visit_of
from rulebook import Pack
from sync.standpoint import Standpoint

log = structlog.get_logger("branch.desk")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a command made. `is_repeat`: the same tap was recorded before, and nothing was written now."""

    records: tuple[Recorded, ...]
    is_repeat: bool = False

    @property
    def visit_ids(self) -> tuple[UUID, ...]:
        """The visits that these facts belong to, in order, each once."""
        found = [visit_of(record) for record in self.records]
        return tuple(dict.fromkeys(visit_id for visit_id in found if visit_id is not None))

    @property
    def cylinder_id(self) -> UUID | None:
        """The cylinder that these facts are about, if there is one."""
        return next((found for record in self.records if (found := cylinder_of(record.subject))), None)

    @property
    def is_new_cylinder(self) -> bool:
        """Whether a record was opened for a cylinder that nobody had seen."""
        return any(isinstance(record.fact, CylinderRegistered) for record in self.records)


@dataclass
class Desk:
    """One shop's desk. Safe to use from many threads: the store lets one writer in at a time."""

    store: BranchStore
    settings: ShopSettings
    rules: Pack
    floor: TimeFloor
    live: Live
    heard_at: Callable[[Standpoint | None], dt.datetime | None]
    after_write: Callable[[], None] = lambda: None
    house: HousePolicy | None = None
    """The settings together with the shop's own papers; None where it has none."""
    _visits: dict[UUID, Visit] = field(default_factory=dict)
    _visits_are_good: bool = False
    _lock: Lock = field(default_factory=Lock)
    _one_at_a_time: Lock = field(default_factory=Lock)

    def __post_init__(self) -> None:
        self._fold_visits()

    @property
    def policy(self) -> HousePolicy:
        """The shop's own rules as decisions read them."""
        return self.house or self.settings.policy

    def handle(self, command: c.Command, actor: Actor) -> Outcome:
        """Decide and record. Raises Refused with every reason; then nothing was written."""
        now = self.floor.now()
        try:
            # The folded visits move with the commit, before the next command may look at them.
            with self._one_at_a_time:
                made = self._act(command, actor, now)
        except Refused as refused:
            log.info("refused", command=command.command, rules=[reason.rule_id for reason in refused.reasons])
            raise
        if isinstance(made, Outcome):
            return made
        for record in made.records:
            log.info("recorded", id=str(record.id), kind=record.kind, node=self.settings.node)
        self.live.ring()
        self.after_write()
        return Outcome(records=made.records)

    def visit(self, visit_id: UUID) -> Visit | None:
        """A visit on the floor, or one that has ended here."""
        with self._lock:
            found = self._visits.get(visit_id)
        if found is not None:
            return found
        with self.store.reading() as cursor:
            ended = look.ended_visit(cursor, visit_id, self.settings.node)
        return ended

    def open_visits(self) -> tuple[Visit, ...]:
        """Every visit on the floor, by tag."""
        with self._lock:
            return tuple(sorted(self._visits.values(), key=lambda visit: visit.tag))

    def around(self, visit: Visit | None, actor: Actor) -> Around:
        """The surroundings as a page shows them. Never decide on them: `handle` looks again."""
        with self.store.reading() as cursor:
            return self._around(cursor, visit, actor, self.floor.now())

    def look_again(self) -> None:
        """Facts of this shop came by the feed, which it had forgotten: its visits are folded from the log again."""
        with self._one_at_a_time:
            self._fold_visits()

    def today(self) -> dt.date:
        """The day by the time floor, in the shop's zone."""
        return self.floor.now().astimezone(self.settings.tz).date()

    def _act(self, command: c.Command, actor: Actor, now: dt.datetime) -> Appended | Outcome:
        if not self._visits_are_good:
            self._fold_visits()
        # From here until they have moved: whether an append that failed was kept, only the log can say.
        self._visits_are_good = False
        try:
            made = self._decide_and_append(command, actor, now)
        except Refused:
            self._visits_are_good = True
            raise
        if isinstance(made, Appended):
            self._move_visits(made.records)
        self._visits_are_good = True
        return made

    def _decide_and_append(self, command: c.Command, actor: Actor, now: dt.datetime) -> Appended | Outcome:
        with self.store.writing() as tx:
            if tx.known(command.key):
                return Outcome(records=tx.made_by(command.key), is_repeat=True)
            state, around = self._look_up(tx, command, actor, now)
            both = joined_with(state, command, around)
            if both is None or state is None:
                new = decide(state, command, around)
            else:
                _, beside = self._look_up(tx, both[1], actor, now)
                new = decide_both(decide, (state, command, around), (*both, beside))
            return tx.append(new, key=command.key, actor=actor.id, role=actor.role, now=now)

    def _look_up(
        self, tx: Tx, command: c.Command, actor: Actor, now: dt.datetime
    ) -> tuple[Visit | None, Around]:
        visit_id = getattr(command, "visit_id", None)
        state = None
        if isinstance(visit_id, UUID):
            with self._lock:
                state = self._visits.get(visit_id)
            if state is None:
                state = look.ended_visit(tx.c, visit_id, self.settings.node) or Visit(id=visit_id)
        around = self._around(tx.c, state, actor, now)
        match command:
            case c.Identify(marks=marks) | c.Register(marks=marks):
                around = replace(around, look_alikes=look.look_alikes(tx.c, marks))
            case c.ReadTagged(cylinder_id=tagged, serial=serial):
                around = replace(
                    around, standing=standing_row(tx.c, tagged), look_alikes=look.near_serial(tx.c, serial)
                )
            case c.Authorise() | c.PlanBlend() if state is not None and state.cylinder_id is not None:
                # Before gas flows the kept row is not taken at its word: the facts themselves are asked.
                around = replace(around, standing=look.folded_again(tx.c, state.cylinder_id))
                if isinstance(command, c.Authorise) and command.conditions is not None:
                    fills = fill_memory.settled_fills(tx.c, self.settings.node)
                    around = replace(around, fill_correction=fill_memory.correction_of(fills))
            case c.HandOver(visit_ids=visit_ids):
                ids = [v.cylinder_id for v in around.open_visits if v.id in visit_ids and v.cylinder_id]
                around = replace(around, standings=look.standings(tx.c, ids))
            case c.SecondAnnulment(cylinder_id=condemned) | c.AssignBlock(cylinder_id=condemned):
                around = replace(
                    around, standing=standing_row(tx.c, condemned), basis=look.basis_of(tx.c, condemned)
                )
            case _:
                cylinder_id = getattr(command, "cylinder_id", None)
                if isinstance(cylinder_id, UUID):
                    around = replace(around, standing=standing_row(tx.c, cylinder_id))
        return state, around

    def _around(self, cursor: Cursor, visit: Visit | None, actor: Actor, now: dt.datetime) -> Around:
        standing = standing_row(cursor, visit.cylinder_id) if visit and visit.cylinder_id else None
        stands = node_row(cursor)
        heard = self.heard_at(stands)
        today = now.astimezone(self.settings.tz).date()
        vouching = look.credentials(cursor, actor.id, self.settings.node)
        return Around(
            now=now,
            today=today,
            actor=replace(
                actor,
                covers=covered_work(vouching, actor.id, self.settings.node, today),
                mixes_until=trained_until(cursor, actor.id),
            ),
            rules=self.rules,
            policy=self.policy,
            oxygen=None if standing is None else self._oxygen(cursor, visit, standing, today),
            origin=None if stands is None else self._next_place(stands),
            credentials=vouching,
            standing=standing,
            gases=gases_on_hand(cursor),
            open_visits=self.open_visits(),
            people_out_at=look.people_out_at(cursor, self.settings.node),
            news_age=None if heard is None else now - heard,
        )

    def _oxygen(
        self, cursor: Cursor, visit: Visit | None, standing: Standing, today: dt.date
    ) -> OxygenService | None:
        """Asked only where a mix may need it; unasked counts as not clean."""
        if visit is None or visit.gas.is_air:
            return None
        return look.oxygen_service(cursor, standing, today, self.policy.oxygen_service_months)

    def _next_place(self, stands: Standpoint) -> Origin:
        author = self.store.author
        return Origin(author.node, author.key_id, stands.inc, stands.seq + 1)

    def _fold_visits(self) -> None:
        """The visits on the floor as the log has them: at the start, and after an append that failed halfway."""
        with self.store.reading() as cursor:
            found = look.open_visits(cursor, self.settings.node)
        with self._lock:
            self._visits = found
        self._visits_are_good = True

    def _move_visits(self, records: tuple[Recorded, ...]) -> None:
        """The folded visits follow what was committed, in the order in which it was."""
        with self._lock:
            for record in records:
                visit_id = visit_of(record)
                if visit_id is None:
                    continue
                moved = evolve(self._visits.get(visit_id, Visit(id=visit_id)), record)
                if moved.is_open:
                    self._visits[visit_id] = moved
                else:
                    self._visits.pop(visit_id, None)
