"""What goes wrong, when, and how all of it heals."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from tests.simulation.hub_machine import Down
from tests.simulation.shop_machine import ShopMachine, new_state

if TYPE_CHECKING:
    from tests.simulation.world import World

DAY = 86400.0
HOUR = 3600.0


class Faults:
    """The faults of one seed."""

    def __init__(self, world: World) -> None:
        self.world = world

    def plan(self) -> None:
        """Spread the faults of the weather over the days."""
        world, weather = self.world, self.world.weather
        self._every(0.5, self._back_up)
        kinds: tuple[tuple[str, float, Callable[[], None]], ...] = (
            ("partition", 2.0, self._partition),
            ("clock", 3.0, self._wrong_clock),
            ("disk full", 3.0, self._full_disk),
            ("shop restored", 4.0, self._restore_shop),
            ("hub restored", 5.0, self._restore_hub),
            ("clone", 7.0, self._clone),
            ("disk lost", 8.0, self._lose_disk),
            ("revoked", 7.0, self._revoke),
        )
        for name, days, work in kinds:
            if weather.has(name):
                self._every(days, work, first=world.rng.uniform(0.3, weather.days) * DAY)

    def _every(self, days: float, work: Callable[[], None], first: float | None = None) -> None:
        world = self.world

        def again() -> None:
            if world.is_healed:
                return
            work()
            world.later(world.rng.uniform(0.5, 1.5) * days * DAY, again, work.__name__)

        world.later(first if first is not None else days * DAY * world.rng.random(), again, work.__name__)

    def _one(self) -> ShopMachine:
        return self.world.rng.choice([one for one in self.world.machines if not one.is_gone])

    def _back_up(self) -> None:
        for shop in self.world.machines:
            if shop.is_up:
                shop.backups = [*shop.backups[-4:], shop.state.copy()]
        if self.world.hub.is_up:
            self.world.hub.backups = [*self.world.hub.backups[-4:], self.world.hub.state.copy()]

    def _partition(self) -> None:
        shop = self._one()
        shop.is_cut_off = True
        self.world.count("partition")

        def mend() -> None:
            shop.is_cut_off = False

        self.world.later(self.world.rng.uniform(0.2, 5) * DAY, mend, f"line of {shop.node} mended")

    def _wrong_clock(self) -> None:
        shop = self._one()
        shop.wall_off_s = self.world.rng.choice((-DAY, DAY * 0.9, -40 * 365 * DAY, -3 * HOUR))
        self.world.count("wrong clock")

    def _full_disk(self) -> None:
        shop = self._one()
        shop.is_full = True

        def free() -> None:
            shop.is_full = False

        self.world.later(self.world.rng.uniform(0.5, 10) * HOUR, free, f"disk of {shop.node} freed")

    def _restore_shop(self) -> None:
        shop = self._one()
        if not shop.backups or shop.state.here is None:
            return
        world = self.world
        backup = world.rng.choice(shop.backups)
        with_marker = not (world.weather.has("marker lost") and world.rng.random() < 0.6)
        world.watch.excuse(
            set(shop.state.facts) - set(backup.facts) - world.watch.held_elsewhere(but=shop.state)
        )
        if not with_marker or shop.marker is None:
            world.watch.forkable.add(backup.here.inc if backup.here else shop.state.here.inc)
        shop.restore(backup, with_marker=with_marker)
        world.count("shop restored with its marker" if with_marker else "shop restored without its marker")
        if shop.is_cut_off:
            world.count("shop restored while cut off")

    def _restore_hub(self) -> None:
        world, hub = self.world, self.world.hub
        if not hub.backups:
            return
        backup = world.rng.choice(hub.backups)
        with_mark = not (world.weather.has("mark lost") and world.rng.random() < 0.6)
        held: set[object] = set()
        for shop in world.machines:
            held |= set(shop.state.facts)
        lost = set(hub.state.position_of) - set(backup.position_of) - held
        world.watch.excuse(lost)
        world.count("hub restored with its mark" if with_mark else "hub restored without its mark")
        if not with_mark:
            world.watch.forkable.add(hub.inc)
        hub.restore(backup, with_mark=with_mark)

    def _clone(self) -> None:
        world = self.world
        shop = self._one()
        if len(world.machines) > 5 or shop.state.here is None or not shop.is_up:
            return
        twin = ShopMachine(world, shop.node, shop.author.key, shop.state.copy())  # type: ignore[arg-type]
        twin.marker, twin.known_ever = shop.marker, set(shop.known_ever)
        world.watch.forkable.add(shop.state.here.inc)
        world.machines.append(twin)
        world.count("clone made")
        world.keep_going(twin)

    def _lose_disk(self) -> None:
        world = self.world
        shop = self._one()
        if not world.hub.is_up or world.hub.is_refusing or not shop.is_up:
            return
        world.watch.excuse(set(shop.state.facts) - world.watch.held_elsewhere(but=shop.state))
        try:
            key = world.new_key(shop.node)
        except Down:
            return
        shop.replace_disk(key, new_state(key, shop.node, world.hub.key))
        world.open_log(shop, "lost")
        world.count("disk lost")
        world.people.take_on(shop)

    def _revoke(self) -> None:
        shop = self._one()
        if self.world.hub.is_up and not self.world.hub.is_refusing:
            self.world.people.revoke(shop)

    def heal(self) -> None:
        """The last fault is over: lines, disks, clocks and machines are well, and people do what they were asked to."""
        world = self.world
        world.is_healed = True
        world.slowest_retry_s = 15.0
        world.is_operator_called = False
        if world.hub.is_refusing:
            world.operator_will_look()
        if not world.hub.is_up:
            world.hub.start()
        for shop in world.machines:
            shop.is_cut_off = shop.is_full = False
            shop.wall_off_s = 0.0
            was_asked, shop.is_enrolling = shop.is_enrolling, False
            if was_asked:
                world.needs_a_new_key(shop)
            if not shop.is_up:
                shop.start()
            world.poll_fast(shop)
