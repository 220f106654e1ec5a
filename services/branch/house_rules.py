"""The shop's own papers beside the law: its tightenings, and the special permits that somebody there has read.

Two TOML files in the data folder, named in the shop's settings. Both are checked whole before the node serves: it must
never start on rules that loosen the law, nor on a permit whose terms nobody wrote down.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from branch.settings import ShopSettings
from cylinder.around import HousePolicy
from rulebook import Pack, Permit, PolicyIsFaulty, read_policy


class HouseRulesAreFaulty(ValueError):
    """The shop's papers cannot be used; `problems` lists all that is wrong with them, file by file."""

    def __init__(self, problems: tuple[str, ...]) -> None:
        super().__init__("; ".join(problems))
        self.problems = problems


class PermitRead(BaseModel):
    """What one person read in one special permit, and where it can be looked up again."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    number: Annotated[str, StringConstraints(pattern=r"^[0-9]{4,5}$")]
    requalify_every_months: Annotated[int, Field(gt=0, le=240)]
    life_months: Annotated[int, Field(gt=0, le=1200)] | None = None
    edition: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]
    read_by: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=60)]

    @property
    def permit(self) -> Permit:
        """The terms as the rulebook judges by them."""
        return Permit(self.number, self.requalify_every_months, self.life_months)


class _PermitsRead(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    permit: list[PermitRead] = []


def house_policy(data: Path, settings: ShopSettings, rules: Pack) -> HousePolicy:
    """The shop's rules as decisions read them. Raises HouseRulesAreFaulty with every reason of both files."""
    policy, problems = settings.policy, []
    try:
        if settings.store_policy:
            policy = replace(policy, store=read_policy(rules, (data / settings.store_policy).read_text()))
    except PolicyIsFaulty as faulty:
        problems += [f"{settings.store_policy}: {one}" for one in faulty.problems]
    except (OSError, UnicodeDecodeError) as wrong:
        problems.append(f"{settings.store_policy}: {_unread(wrong)}")
    try:
        policy = replace(policy, permits=tuple(one.permit for one in permits_read(data, settings)))
    except HouseRulesAreFaulty as faulty:
        problems += faulty.problems
    if problems:
        raise HouseRulesAreFaulty(tuple(problems))
    return policy


def permits_read(data: Path, settings: ShopSettings) -> tuple[PermitRead, ...]:
    """The permits on file. Raises HouseRulesAreFaulty with every reason."""
    name = settings.permits
    if not name:
        return ()
    try:
        read = _PermitsRead.model_validate(tomllib.loads((data / name).read_text()))
    except ValidationError as wrong:
        raise HouseRulesAreFaulty(tuple(_faults(name, wrong))) from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as unread:
        raise HouseRulesAreFaulty((f"{name}: {_unread(unread)}",)) from None
    numbers = [one.number for one in read.permit]
    twice = sorted({one for one in numbers if numbers.count(one) > 1})
    if twice:
        raise HouseRulesAreFaulty(tuple(f"{name}: permit {one} stands there twice" for one in twice))
    return tuple(read.permit)


def _faults(name: str, wrong: ValidationError) -> Iterator[str]:
    for error in wrong.errors():
        place = ".".join(str(part) for part in error["loc"])
        yield f"{name}: {place}: {error['msg'][:1].lower()}{error['msg'][1:]}"


def _unread(wrong: Exception) -> str:
    if isinstance(wrong, OSError):
        return f"it cannot be read ({wrong.strerror})"
    return f"it is no TOML ({wrong})"
