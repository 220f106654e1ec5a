"""What the frame around a page needs: the mast, the rail and the stage bar.

Owns the shapes the layouts read. Never holds a rule: the caller has decided every word and state before it gets here.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

CheckState = Literal["done", "open", "hold", "stop"]


@dataclass(frozen=True)
class Link:
    """A way to another page."""

    href: str
    label: str
    icon: str = "arrow-left"


@dataclass(frozen=True)
class Chip:
    """A small fact in the mast. `since_ms` (epoch) makes it an age that ticks; past `limit_s` it turns amber."""

    icon: str
    label: str
    strong: str = ""
    since_ms: int | None = None
    limit_s: int | None = None
    kind: Literal["", "hold"] = ""


@dataclass(frozen=True)
class Mast:
    """The bar over every page.

    `now_ms` is the server's clock at rendering: every age on the page counts from it, so a tablet with a wrong clock
    shows right ages. `stream` is the address of the live feed; without it there is no link chip.
    """

    title: str
    clock: str
    now_ms: int
    back: Link | None = None
    chips: Sequence[Chip] = ()
    stream: str = ""
    night: bool | None = None
    practice: bool = False


@dataclass(frozen=True)
class Plate:
    """What is stamped on the metal. While `rating` is empty the place where it stands is veiled."""

    serial: str
    marks: str = ""
    rating: str = ""
    date: str = ""
    label: str = "Stamped on the shoulder"


@dataclass(frozen=True)
class Rating:
    """The rated pressure as read at this visit, in the unit it was read in, with its twin and who read it."""

    value: str
    unit: str
    note: str


@dataclass(frozen=True)
class Check:
    """One of the checks in the rail."""

    label: str
    value: str = "not yet"
    state: CheckState = "open"


@dataclass(frozen=True)
class Rail:
    """The left side of a step: which cylinder this is and what is known so far."""

    tag: str
    gas: str = ""
    lines: Sequence[str] = ()
    plate: Plate | None = None
    rating: Rating | None = None
    shows_rating: bool = True
    checks: Sequence[Check] = ()


@dataclass(frozen=True)
class Stage:
    """One stage of a visit and its segments, each done, now or open."""

    name: str
    segments: Sequence[str] = field(default_factory=tuple)

    @property
    def is_now(self) -> bool:
        return "now" in self.segments


def stages(plan: Sequence[tuple[str, Sequence[str]]], current: str) -> tuple[Stage, ...]:
    """The stage bar for a plan of (stage, its steps) while standing at the step named `current`.

    Raises ValueError for a step that is in no stage.
    """
    order = [step for _, steps in plan for step in steps]
    here = order.index(current)
    state = {
        step: "done" if place < here else "now" if place == here else "open"
        for place, step in enumerate(order)
    }
    return tuple(Stage(name, tuple(state[step] for step in steps)) for name, steps in plan)
