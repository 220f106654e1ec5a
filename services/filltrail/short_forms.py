"""Reads a story and writes its short forms out: a visit becomes its commands, a cylinder its marks and stamps.

Owns the order of a visit's commands and what a cylinder wears at each time of the story. Pure but for reading the
file; what a placeholder stands for is found when the step is told.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, JsonValue

from filltrail.story import DAYS, MINUTES, Newcomer, Passage, Step, Story, StoryCylinder, VisitCommand

Value = TypeVar("Value")
PAUSES: Mapping[str, str] = {
    "identify": "+1m",
    "read_residual": "+1m",
    "complete_fill": "+4m",
    "hand_over": "+4m",
}
"""What takes time in a visit: these commands come so much later than the one before."""
ANALYSER = "Cell 1"
CALIBRATED_MIN_AGO = 10


class _File(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    cylinder: tuple[StoryCylinder, ...] = ()
    newcomer: Newcomer | None = None
    step: tuple[Step, ...] = ()


def read_story(path: Path) -> Story:
    """The story with its short forms written out. Raises ValueError for one that cannot be told."""
    if not path.exists():
        return Story()
    found = _File.model_validate(tomllib.loads(path.read_text()))
    _once("cylinder", [cylinder.key for cylinder in found.cylinder])
    # A story without times is told as it goes: its visits take no time either.
    pauses = PAUSES if any(step.at for step in found.step) else {}
    short_forms = ShortForms({cylinder.key: cylinder for cylinder in found.cylinder}, pauses)
    steps = tuple(
        plain
        for number, step in enumerate(found.step, start=1)
        for plain in short_forms.plain(step, str(number))
    )
    _once("step", [step.name for step in steps])
    _check_time_runs_forwards(steps)
    if found.newcomer is not None:
        short_forms.cylinder(found.newcomer.cylinder)
    return Story(steps=steps, cylinders=found.cylinder, newcomer=found.newcomer)


class ShortForms:
    """Writes short forms out, remembering what was stamped on each cylinder so far and which day it is."""

    def __init__(self, cylinders: Mapping[str, StoryCylinder], pauses: Mapping[str, str]) -> None:
        self._cylinders = cylinders
        self._pauses = pauses
        self._day = 0
        self._stamps: dict[str, dict[str, str | None]] = {
            key: {"requalified": one.requalified, "looked_inside": one.looked_inside}
            for key, one in cylinders.items()
        }

    def cylinder(self, key: str) -> StoryCylinder:
        if key not in self._cylinders:
            raise ValueError(f"no cylinder is called {key}")
        return self._cylinders[key]

    def plain(self, step: Step, number: str) -> Iterator[Step]:
        """The same as single commands and cards, each with its name."""
        days = DAYS.fullmatch(step.at)
        if days is not None:
            self._day = int(days[1])
        elif step.at.startswith("-"):
            self._day = 0
        named = step.model_copy(update={"name": step.name or number})
        if step.visit is not None:
            yield from self._visit(named, step.visit)
        elif step.register_:
            marks: dict[str, JsonValue] = {"marks": self.cylinder(step.register_).marks}
            changes = {"command": "register", "fields": marks, "register_": "", "cylinder": step.register_}
            yield named.model_copy(update=changes)
        else:
            self._remember_stamp(step)
            yield named

    def _visit(self, step: Step, passage: Passage) -> Iterator[Step]:
        for place, command in enumerate(passage.commands):
            try:
                fields = self._fields(command, passage, step.name)
            except ValueError as missing:
                raise ValueError(f"step {step.name}: {missing}") from None
            is_first, is_last = place == 0, command == passage.last
            changes: dict[str, object] = {
                "visit": None,
                "command": command,
                "fields": fields,
                "name": step.name if command == "greet" else f"{step.name}.{command}",
                "at": step.at if is_first else self._pauses.get(command, ""),
                "after_news": step.after_news and is_first,
                "cylinder": passage.cylinder if command == "identify" else "",
                "expect": step.expect if is_last else "accepted",
            }
            yield step.model_copy(update=changes)

    def _fields(self, command: VisitCommand, passage: Passage, name: str) -> dict[str, JsonValue]:
        cylinder, stamps = self.cylinder(passage.cylinder), self._stamps[passage.cylinder]
        visit_id = f"{{visit:{passage.of or name}}}"
        fields: dict[str, JsonValue]
        match command:
            case "greet":
                return _greeting(passage)
            case "hand_over":
                return {"diver_ref": _diver(passage, "ref"), "visit_ids": [visit_id]}
            case "identify":
                fields = {
                    "marks": cylinder.marks,
                    **({"shoulder": cylinder.shoulder} if cylinder.shoulder else {}),
                }
            case "look_over":
                fields = {"sound": True}
            case "read_dates":
                fields = dict(stamps)
            case "read_rating":
                fields = {"rated": _pressure(cylinder.rated)}
            case "blow_out":
                fields = {"is_blown_out": True, "o_ring": passage.o_ring}
            case "connect_whip":
                fields = {"whip": _needed(passage.whip, "whip")}
            case "read_residual":
                fields = {"residual": _pressure(_needed(passage.residual, "residual"))}
            case "authorise":
                fields = {"target": _pressure(passage.target or cylinder.rated)}
            case "complete_fill":
                fields = {"end": _pressure(_needed(passage.end, "end"))}
            case "analyse":
                measured = _needed(passage.measured, "measured")
                fields = {
                    "oxygen_percent": measured, "again_oxygen_percent": measured, "analyser": ANALYSER,
                    "calibrated_min_ago": CALIBRATED_MIN_AGO, "calibrated_in": "air",
                }  # fmt: skip
            case "sign_contents":
                fields = {
                    "oxygen_percent": _needed(passage.measured, "measured"), "how": "initials",
                    "mark": _diver(passage, "initials"),
                }  # fmt: skip
            case "set_down_at":
                fields = {"slot": _needed(passage.slot, "slot")}
            case _:
                fields = {}
        return {"visit_id": visit_id, **fields}

    def _remember_stamp(self, step: Step) -> None:
        """From the day of an inspection on, its month is what is read off the cylinder."""
        if step.expect == "refused" or step.command not in ("pass_visual", "requalify"):
            return
        named = re.fullmatch(r"\{cylinder:(.+)\}", str(step.fields.get("cylinder_id")))
        if named is not None and named[1] in self._stamps:
            stamp = f"{{stamp-{self._day}}}"
            self._stamps[named[1]]["looked_inside"] = stamp
            if step.command == "requalify":
                self._stamps[named[1]]["requalified"] = stamp


def _greeting(passage: Passage) -> dict[str, JsonValue]:
    taken: dict[str, JsonValue] = {"tag": _needed(passage.tag, "tag")}
    if passage.oxygen != 21.0:
        taken["gas"] = {"oxygen_percent": passage.oxygen}
    return {
        "diver_ref": _diver(passage, "ref"),
        "level": _diver(passage, "level"),
        "covers_nitrox": _diver(passage, "covers_nitrox"),
        "covers_trimix": _diver(passage, "covers_trimix"),
        "cylinders": [taken],
    }


def _diver(passage: Passage, field: str) -> str:
    return f"{{diver:{_needed(passage.diver, 'diver')}.{field}}}"


def _needed(value: Value | None, name: str) -> Value:
    if not value:
        raise ValueError(f"its visit does not say {name}")
    return value


def _pressure(gauge: str) -> dict[str, JsonValue]:
    value, unit = gauge.split()
    return {"value": int(value), "unit": unit}


def _once(kind: str, names: list[str]) -> None:
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"the same {kind} name twice: {', '.join(twice)}")


def _check_time_runs_forwards(steps: tuple[Step, ...]) -> None:
    """Days come before minutes; each time is at or after the one before with what was added to it since."""
    reached: tuple[int, int] | None = None
    for step in steps:
        if not step.at:
            continue
        days, minutes = DAYS.fullmatch(step.at), MINUTES.fullmatch(step.at)
        if days is not None:
            next_ = (0, -int(days[1]) * 1440 + int(days[2]) * 60 + int(days[3]))
        elif minutes is not None and minutes[1] == "-":
            next_ = (1, -int(minutes[2]))
        elif minutes is not None and reached is not None:
            next_ = (reached[0], reached[1] + int(minutes[2]))
        else:
            raise ValueError(f"step {step.name}: nothing came before {step.at}")
        if reached is not None and next_ < reached:
            raise ValueError(f"step {step.name}: {step.at} lies before what was told already")
        if next_ > (1, 0):
            raise ValueError(f"step {step.name}: {step.at} lies ahead of now")
        reached = next_
