"""The story of a demo: what story.toml may hold, and how its short forms become single commands.

Owns the shape of that file. Pure: it knows no clock and no shop; what a placeholder stands for is found when the
step is told (replay.py).

A step of story.toml:

    [[step]]
    at = "-420d 09:40"            # the story clock goes there first: so many days before the telling, the network's time;
                                  # or "-95m", minutes before now; or "+4m", so much later than it is. Never backwards.
    shop = "lantern"
    actor = "birk"
    as = "marit-14"               # a name for what comes back; without it, the step's number from 1
    command = "..."
    fields = { ... }              # passed through as they are
    cylinder = "heron"            # {cylinder:heron} is from here on the cylinder that this made
    expect = "accepted"           # or "refused": then an acceptance is the error
    after_news = true             # first wait until every shop has heard what the network knows

Instead of `command` a step may have one of

    keep_card = "marit"           # the diver's name and address, for the vault
    register = "heron"            # put this cylinder on record at the bench
    visit = { ... }               # a whole visit, or a part of it: one command after the other

    [[cylinder]]                  # what is stamped and stuck on it when the story begins
    key = "heron"
    serial = "OC20815"
    maker = "OSW"
    spec = "3AL"
    first_test = "{month-70}"
    requalified = "{month-20}"    # left out: never since its first test
    looked_inside = "{month-26}"
    rated = "3000 psi"

    [newcomer]                    # the cylinder that is left alone, for whoever starts the demo
"""

import datetime as dt
import re
from typing import Annotated, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, JsonValue, StringConstraints, model_validator

VisitCommand = Literal[
    "greet", "identify", "look_over", "read_dates", "read_rating", "see_standing", "send_people_out", "blow_out",
    "connect_whip", "read_residual", "authorise", "complete_fill", "analyse", "bleed_whip", "tape_valve",
    "set_down_at", "sign_contents", "hand_over",
]  # fmt: skip
VISIT_COMMANDS: tuple[VisitCommand, ...] = get_args(VisitCommand)
FOR_A_MIX: frozenset[VisitCommand] = frozenset({"analyse", "sign_contents"})
"""What only a gas other than air needs."""
DAYS = re.compile(r"-([1-9][0-9]{0,3})d ([01][0-9]|2[0-3]):([0-5][0-9])")
MINUTES = re.compile(r"([+-])([0-9]{1,3})m")

At = Annotated[str, StringConstraints(pattern=rf"^(|{DAYS.pattern}|{MINUTES.pattern})$")]
Gauge = Annotated[str, StringConstraints(pattern=r"^[0-9]{1,4} (psi|bar)$")]


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Passage(_Entry):
    """A visit from one command to another. What a command needs and the passage does not say is an error."""

    cylinder: str
    diver: str = ""
    of: str = ""
    """The visit that it goes on with, "NAME" or "NAME/2"; without it, the passage begins with its greeting."""
    first: VisitCommand = "greet"
    last: VisitCommand = "hand_over"
    tag: int = 0
    oxygen: float = 21.0
    o_ring: str = "good"
    whip: int = 0
    residual: Gauge | None = None
    target: Gauge | None = None
    end: Gauge | None = None
    measured: float | None = None
    slot: int = 0

    @model_validator(mode="after")
    def _begins_somewhere(self) -> "Passage":
        if bool(self.of) == (self.first == "greet"):
            raise ValueError("a passage begins with its greeting or goes on with the visit it is `of`")
        return self

    @property
    def commands(self) -> tuple[VisitCommand, ...]:
        begin, end = VISIT_COMMANDS.index(self.first), VISIT_COMMANDS.index(self.last)
        return tuple(
            one for one in VISIT_COMMANDS[begin : end + 1] if one not in FOR_A_MIX or self.oxygen != 21.0
        )


class Step(_Entry):
    """One thing that somebody does at a shop."""

    shop: str
    actor: str
    at: At = ""
    command: str = ""
    keep_card: str = ""
    register_: Annotated[str, Field(alias="register")] = ""
    visit: Passage | None = None
    name: Annotated[str, Field(alias="as")] = ""
    fields: dict[str, JsonValue] = {}
    cylinder: str = ""
    expect: Literal["accepted", "refused"] = "accepted"
    after_news: bool = False

    @model_validator(mode="after")
    def _is_one_thing(self) -> "Step":
        if [bool(self.command), bool(self.keep_card), bool(self.register_), self.visit is not None].count(
            True
        ) != 1:
            raise ValueError("a step has either a command, keep_card, register or visit")
        return self

    @property
    def words(self) -> str:
        return f"{self.command or 'card of ' + self.keep_card} at {self.shop}"


class StoryCylinder(_Entry):
    """A cylinder of the story; months may be placeholders."""

    key: str
    serial: str
    maker: str
    spec: str
    first_test: str
    requalified: str | None = None
    looked_inside: str | None = None
    rated: Gauge
    shoulder: str = ""
    """All that is stamped, as a person types it; empty where the story has nobody type it."""

    @property
    def marks(self) -> dict[str, JsonValue]:
        return {"serial": self.serial, "maker": self.maker, "spec": self.spec, "first_test": self.first_test}


class Newcomer(_Entry):
    """What whoever starts the demo can try: whose cylinder, filled where, condemned where."""

    diver: str
    cylinder: str
    home: str
    next_door: str


class Story(_Entry):
    """What is told, one command after the other, and what is left to try."""

    steps: tuple[Step, ...] = ()
    cylinders: tuple[StoryCylinder, ...] = ()
    newcomer: Newcomer | None = None

    @property
    def begins(self) -> str:
        """Where the clock stands when the first step is told; empty when it stays where it is."""
        return self.steps[0].at if self.steps else ""


def time_of(at: str, *, today: dt.date, now: dt.datetime) -> dt.datetime:
    """The moment that `at` names, in the zone of `now`; `now` is the story's own time for "+4m", else the real one."""
    days, minutes = DAYS.fullmatch(at), MINUTES.fullmatch(at)
    if days is not None:
        day = today - dt.timedelta(days=int(days[1]))
        return dt.datetime.combine(day, dt.time(int(days[2]), int(days[3])), tzinfo=now.tzinfo)
    if minutes is not None:
        return now + dt.timedelta(minutes=int(minutes[1] + minutes[2]))
    raise ValueError(f"{at!r} is no time of a story")


def is_later_by(at: str) -> bool:
    """Whether this counts from the story's own time, such as "+4m"."""
    return at.startswith("+")
