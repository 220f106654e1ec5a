"""What a form posted, and asking the desk with it: recorded, or every reason why not with what was keyed still there.

Every change by a page goes through `record`. Must never decide anything itself.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated
from uuid import UUID

from fastapi import Depends, Request
from pydantic import ValidationError

from branch.desk import Outcome
from branch.node import Node
from branch.people import Session
from cylinder.commands import Command
from cylinder.recorded import derived_id
from cylinder.refusal import Reason, Refused


@dataclass(frozen=True)
class Posted:
    """The fields of a form, in order, as text."""

    pairs: tuple[tuple[str, str], ...] = ()

    def text(self, name: str, default: str = "") -> str:
        """The field's value without spaces around it; the last one where there are several."""
        found = [value for key, value in self.pairs if key == name]
        return found[-1].strip() if found else default

    def all(self, name: str) -> tuple[str, ...]:
        """Every value of a field that comes several times."""
        return tuple(value.strip() for key, value in self.pairs if key == name)

    def has(self, name: str) -> bool:
        """Whether the field was sent and is not empty."""
        return self.text(name) != ""

    def maybe(self, name: str) -> str | None:
        """The field's value, or None where it is empty."""
        return self.text(name) or None


async def posted(request: Request) -> Posted:
    """What the form holds, as it came; files are left out. Raises nothing: what is missing is empty."""
    form = await request.form()
    return Posted(tuple((name, value) for name, value in form.multi_items() if isinstance(value, str)))


_NO_ANSWERS = frozenset({"key", "pin"})
"""Not part of what the once-key is bound to: ids stand in the log, and nothing in a log may follow from a PIN."""


async def bound(request: Request) -> Posted:
    """The same, its once-key bound to what was keyed.

    The same tap twice is one record. A form that was gone back to, changed and sent again is another one: it must not
    be taken for the first and passed over in silence.
    """
    form = await posted(request)
    made = uuid_or_none(form.text("key"))
    if made is None:
        return form
    answers = json.dumps([pair for pair in form.pairs if pair[0] not in _NO_ANSWERS])
    key = str(derived_id(made, answers))
    return Posted(tuple((name, key if name == "key" else value) for name, value in form.pairs))


Form = Annotated[Posted, Depends(bound)]
"""For handlers: `form: Form`."""


@dataclass(frozen=True)
class Trouble:
    """Why nothing was recorded: shown on the page that asked, by the template `trouble.html`."""

    reasons: tuple[Reason, ...]
    status: int = 409

    def has(self, rule_id: str) -> bool:
        """Whether this rule is among the reasons."""
        return any(reason.rule_id == rule_id for reason in self.reasons)


def record(
    node: Node, session: Session, make: Callable[[], Command], labels: Mapping[str, str] | None = None
) -> Outcome | Trouble:
    """Build the command, decide and record. `labels` names the command's members in the page's words."""
    try:
        return node.desk.handle(make(), session.person.actor)
    except ValidationError as wrong:
        return Trouble(misread(wrong, labels or {}), 422)
    except Refused as refused:
        return Trouble(refused.reasons)


def misread(wrong: ValidationError, labels: Mapping[str, str]) -> tuple[Reason, ...]:
    """Each fault of the input once, in words."""
    reasons = []
    for error in wrong.errors():
        names = [str(part) for part in error["loc"]]
        label = next((labels[name] for name in reversed(names) if name in labels), "")
        named = label or " ".join(name.replace("_", " ") for name in names if not name.isdigit())
        reasons.append(
            Reason("input." + ".".join(names), f"{named.capitalize()}: {plain(error['msg'])}", "input")
        )
    return tuple(dict.fromkeys(reasons))


def uuid_or_none(text: str) -> UUID | None:
    """The id that a field or an address holds, or None when it holds none."""
    try:
        return UUID(text)
    except ValueError:
        return None


def plain(message: str) -> str:
    """A fault of the input as a person would say it."""
    words = message.removeprefix("Value error, ")
    if words.startswith("Input should be a valid"):
        # What follows the comma speaks of parsing, to nobody at a counter.
        words = (
            words.partition(",")[0]
            .replace("valid decimal", "valid number")
            .replace("valid integer", "whole number")
        )
    words = words.replace("Input should be", "this should be")
    return words[:1].lower() + words[1:] + ("" if words.endswith(".") else ".")
