"""The whole network in one seed: one heap of things to come, one source of chance, virtual time."""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import heapq
import itertools
import random
from collections import Counter
from collections.abc import Callable
from functools import partial
from typing import Protocol, TypeVar
from uuid import UUID

from tests.simulation.faults import Faults
from tests.simulation.hub_machine import Down, HubMachine
from tests.simulation.people import People
from tests.simulation.quick_keys import QuickKey
from tests.simulation.shop_machine import DiskFull, ShopMachine, new_state
from tests.simulation.vocabulary import moment, new_id
from tests.simulation.watch import Watch
from tests.simulation.weather import draw_weather

from eventlog.keys import key_id
from sync import at_branch
from sync.standpoint import Fresh

Result = TypeVar("Result")
Said = TypeVar("Said", contravariant=True)
DAY = 86400.0
HOUR = 3600.0
REST_S = 15 * 60.0
"""How long the network has after the last fault: many rounds of its polls, and the longest wait of a retry."""


class Answered(Protocol[Said]):
    """What a lane does with an answer."""

    def __call__(self, answer: Said, *, is_late: bool) -> None: ...


class World:
    """One seed's network, from its first fact to its rest."""

    def __init__(self, seed: int, *, also: frozenset[str] = frozenset()) -> None:
        self.seed = seed
        self.rng = random.Random(seed)
        self.weather = draw_weather(self.rng, also)
        self.t = 0.0
        self.heap: list[tuple[float, int, str, Callable[[], None]]] = []
        self.numbers = itertools.count(1)
        self.counts: Counter[str] = Counter()
        self.trace = hashlib.sha256()
        self.is_healed = False
        self.is_operator_called = False
        self.slowest_retry_s = HOUR
        self.machines: list[ShopMachine] = []
        self.keys_made = itertools.count(1)
        self.watch = Watch(self)
        self.hub = HubMachine(self)
        self.people = People(self)

    # Time and chance.

    def now(self) -> dt.datetime:
        """The true time."""
        return moment(self.t)

    def new_id(self) -> UUID:
        """A new id."""
        return new_id(self.rng, moment(self.t))

    def next_number(self) -> int:
        """A number that was not given before."""
        return next(self.numbers)

    def count(self, what: str, n: int = 1) -> None:
        """Something happened."""
        self.counts[what] += n

    def later(self, delay_s: float, work: Callable[[], None], label: str) -> None:
        """Do this after a while."""
        heapq.heappush(self.heap, (self.t + delay_s, next(self.numbers), label, work))

    def run_until(self, t: float) -> None:
        """Let time pass."""
        while self.heap and self.heap[0][0] <= t:
            self.t, _, label, work = heapq.heappop(self.heap)
            self.trace.update(f"{self.t!r} {label}\n".encode())
            with contextlib.suppress(Down, DiskFull):
                work()
        self.t = t

    # The network.

    def exchange(
        self, shop: ShopMachine, ask: Callable[[], Result], answered: Answered[Result], *, may_be_late: bool
    ) -> None:
        """A request, which may be lost, doubled or late, and its answer, which may be lost or late."""
        copies = 2 if self.chance(self.weather.doubling) else 1
        if copies == 2:
            self.count("request doubled")
        for _ in range(copies):
            if self._is_lost(shop):
                continue
            self.later(
                self._delay(may_be_late),
                lambda: self._deliver(shop, ask, answered, may_be_late),
                f"to hub {shop.node}",
            )

    def _deliver(
        self, shop: ShopMachine, ask: Callable[[], Result], answered: Answered[Result], may_be_late: bool
    ) -> None:
        try:
            answer = ask()
        except Down:
            return
        if self._is_lost(shop):
            self.count("answer lost")
            return
        delay = self._delay(may_be_late)
        is_late = delay > 90.0
        if is_late:
            self.count("answer late")
        self.later(delay, lambda: answered(answer, is_late=is_late), f"to {shop.node}")

    def chance(self, p: float) -> bool:
        """Whether a fault of this rate happens now; none does after the last one has healed."""
        return not self.is_healed and p > 0 and self.rng.random() < p

    def _is_lost(self, shop: ShopMachine) -> bool:
        if shop.is_cut_off:
            return True
        if self.chance(self.weather.loss):
            self.count("message lost")
            return True
        return False

    def _delay(self, may_be_late: bool) -> float:
        if may_be_late and self.chance(self.weather.lateness):
            return self.rng.uniform(60, 2 * HOUR)
        return self.rng.uniform(0.01, 1.5)

    def ring(self) -> None:
        """The feed moved: who listens looks soon."""
        if self.weather.has("no bell"):
            return
        for shop in self.machines:
            if not shop.is_cut_off and self.rng.random() < 0.9:
                self.later(self.rng.uniform(0.02, 1), partial(shop.pump, "pull"), f"bell {shop.node}")

    # What people do about faults.

    def operator_will_look(self) -> None:
        """Somebody sees the alarm, and gives the hub a new epoch."""
        if self.is_operator_called:
            return
        self.is_operator_called = True

        def look() -> None:
            self.is_operator_called = False
            if self.hub.is_up:
                self.hub.new_epoch()
            else:
                self.operator_will_look()

        self.later(self.rng.uniform(60, 600 if self.is_healed else 8 * HOUR), look, "operator")

    def new_key(self, node: str) -> QuickKey:
        """A new key for a shop, known to the hub."""
        key = QuickKey(f"{node} {next(self.keys_made)}")
        self.hub.enrol(node, key)
        return key

    def enrol_anew(self, shop: ShopMachine) -> None:
        """The manager enrols the shop with a new key; its log goes on in a new incarnation."""
        if not (self.hub.is_up and shop.is_up) or self.hub.is_refusing:
            self.later(
                HOUR if not self.is_healed else 20, lambda: self.enrol_anew(shop), f"enrol {shop.node}"
            )
            return
        key = self.new_key(shop.node)
        shop.author = at_branch.Author(node=shop.node, key=key, software="simulated")
        shop.state.keys[shop.node, key_id(key.public_key())] = key.public_key()
        self.count("enrolled with a new key")
        try:
            shop.begin_again("key-rotate")
        except (Down, DiskFull):
            self.later(60, lambda: self.enrol_anew(shop), f"enrol {shop.node}")
            return
        shop.is_enrolling = False
        shop.pump("push")

    def needs_a_new_key(self, shop: ShopMachine) -> None:
        """A shop was told that its key is not believed any more."""
        if shop.is_enrolling or shop.is_second:
            return
        alive = [
            one for one in self.machines if one.node == shop.node and not one.is_gone and not one.is_second
        ]
        if shop is not alive[0]:
            shop.is_second = True  # One machine is kept; every other one only hands over what it wrote.
            return
        shop.is_enrolling = True
        self.later(
            self.rng.uniform(60, 300 if self.is_healed else 12 * HOUR), lambda: self.enrol_anew(shop), "enrol"
        )

    # The story.

    def open_shops(self) -> None:
        """Every shop is enrolled and staffed."""
        for n in range(self.weather.shops):
            node = f"shop-{n}"
            key = self.new_key(node)
            shop = ShopMachine(self, node, key, new_state(key, node, self.hub.key))
            self.machines.append(shop)
            self.open_log(shop, "first")
            self.people.take_on(shop)
            self.keep_going(shop)

    def open_log(self, shop: ShopMachine, reason: str) -> None:
        fresh = Fresh(inc=self.new_id(), opening_id=self.new_id())
        shop.commit(lambda log: at_branch.open_log(log, shop.author, fresh, reason=reason, now=self.now()))

    def keep_going(self, shop: ShopMachine) -> None:
        """The polls of a machine, and its people."""

        def poll(lane: str, every_s: float) -> None:
            if shop.is_gone or self.is_healed:
                return
            shop.pump(lane)
            wait = self.rng.uniform(0.7, 1.3) * every_s
            self.later(wait, lambda: poll(lane, every_s), f"{shop.node} polls {lane}")

        def act() -> None:
            if self.is_healed or shop.is_gone:
                return
            self.people.act(shop)
            self.later(self.rng.expovariate(self.weather.acts_a_day / DAY), act, f"{shop.node} acts")

        for lane, every_s in (("push", HOUR), ("pull", HOUR), ("beat", 3 * HOUR)):
            poll(lane, every_s)
        act()

    def poll_fast(self, shop: ShopMachine) -> None:
        """After the last fault: each lane looks every few seconds, as the services do."""

        def poll(lane: str) -> None:
            if not shop.is_gone:
                shop.pump(lane)
                self.later(20.0, lambda: poll(lane), f"{shop.node} polls {lane}")

        for lane in ("push", "pull", "beat"):
            poll(lane)

    def run(self) -> None:
        """The days with their faults, then the rest."""
        self.open_shops()
        faults = Faults(self)
        faults.plan()
        self._officer()
        self.run_until(self.weather.days * DAY)
        faults.heal()
        healed_at = self.t
        self.run_until(healed_at + REST_S)
        self.watch.at_rest()

    def _officer(self) -> None:
        if self.is_healed:
            return
        self.people.officer_acts()
        self.later(self.rng.expovariate(1.2 / DAY), self._officer, "officer")
