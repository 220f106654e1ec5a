"""A cylinder taken through a shop by JSON commands, as a tablet would send them."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from tests.journeys.a_network import Tablet

import rulebook

RATED = {"value": 3000, "unit": "psi"}
DIVER = "diver-00000001"


@dataclass(frozen=True)
class Cylinder:
    """What is stamped on one cylinder."""

    serial: str
    maker: str = "ZQ"
    spec: str = "3AL"
    first_test: str = "2021-07"

    @property
    def marks(self) -> dict[str, str]:
        return {"serial": self.serial, "maker": self.maker, "spec": self.spec, "first_test": self.first_test}


@dataclass
class Taken:
    """A visit as it goes on; each `step` is sent with a key of its own, which a retry uses again."""

    tablet: Tablet
    cylinder: Cylinder
    tag: int
    whip: int = 1
    slot: int = 1
    diver: str = DIVER
    visit_id: str = ""
    cylinder_id: str = ""
    acknowledged: list[str] = field(default_factory=list)

    def commands(self) -> Iterator[tuple[str, Callable[[], dict[str, object]]]]:
        """Every command of a good visit, in order; the fields are made when it is sent."""
        yield (
            "greet",
            lambda: {"diver_ref": self.diver, "level": "Open water", "cylinders": [{"tag": self.tag}]},
        )
        yield "identify", lambda: self._of(marks=self.cylinder.marks)
        yield "look_over", lambda: self._of(sound=True)
        yield "read_dates", lambda: self._of(requalified=months_ago(14), looked_inside=months_ago(3))
        yield "read_rating", lambda: self._of(rated=RATED)
        yield "see_standing", self._of
        yield "send_people_out", self._of
        yield "blow_out", lambda: self._of(is_blown_out=True, o_ring="good")
        yield "connect_whip", lambda: self._of(whip=self.whip)
        yield "read_residual", lambda: self._of(residual={"value": 620, "unit": "psi"})
        yield "authorise", lambda: self._of(target=RATED)
        yield "take_reading", lambda: self._of(reading={"value": 1850, "unit": "psi"})
        yield "complete_fill", lambda: self._of(end=RATED)
        yield "bleed_whip", self._of
        yield "tape_valve", self._of
        yield "set_down_at", lambda: self._of(slot=self.slot)
        yield "hand_over", lambda: {"diver_ref": self.diver, "visit_ids": [self.visit_id]}

    def go_through(self, *, until: str = "") -> Taken:
        """Send every command that must be accepted, up to and without `until`."""
        for name, fields in self.commands():
            if name == until:
                break
            self.note(self.tablet.do(name, **fields()))
        return self

    def note(self, answer: dict[str, object]) -> None:
        """Remember what the shop said that it has written."""
        self.visit_id = str(answer.get("visit_id") or self.visit_id)
        self.cylinder_id = str(answer.get("cylinder_id") or self.cylinder_id)
        facts = answer["facts"]
        assert isinstance(facts, list)
        self.acknowledged += [str(fact["id"]) for fact in facts]

    def _of(self, **fields: object) -> dict[str, object]:
        return {"visit_id": self.visit_id, **fields}


def condemn(tablet: Tablet, cylinder: Cylinder, cylinder_id: str) -> dict[str, object]:
    """Condemn at the bench, with a criterion of the US rulebook."""
    return tablet.do(
        "condemn",
        cylinder_id=cylinder_id,
        performed_on=dt.datetime.now(dt.UTC).date().isoformat(),
        reason="Crack across two threads, seen with mirror and lamp",
        criterion_id=_criterion(),
        last_four=cylinder.serial[-4:],
    )


def new_key() -> uuid.UUID:
    """A fresh key for a tap."""
    return uuid.uuid4()


def _criterion() -> str:
    return rulebook.condemn_criteria(rulebook.load("us"))[0].id


def months_ago(months: int) -> str:
    """A stamped month that lies so long ago."""
    today = dt.datetime.now(dt.UTC).date()
    whole = today.year * 12 + today.month - 1 - months
    return f"{whole // 12:04d}-{whole % 12 + 1:02d}"
