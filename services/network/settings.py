"""What the hub is told from outside. Reads a mapping; only `__main__` knows that it is the environment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from network.admission import Rate


class Missing(Exception):
    """A setting that has no default was not given."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Where the hub keeps things, where it listens, and how much it takes."""

    data: Path
    database_url: str
    redis_url: str | None
    host: str
    port: int
    name: str
    pushes: Rate
    is_https: bool


def settings_from(environment: Mapping[str, str]) -> Settings:
    """Settings from variables that begin with FILLTRAIL_. Raises Missing, ValueError."""
    per_second = float(environment.get("FILLTRAIL_PUSHES_PER_SECOND", "50"))
    if not per_second > 0:
        raise ValueError("FILLTRAIL_PUSHES_PER_SECOND must be above 0")
    return Settings(
        data=Path(_given(environment, "FILLTRAIL_DATA")),
        database_url=_given(environment, "FILLTRAIL_DATABASE_URL"),
        redis_url=environment.get("FILLTRAIL_REDIS_URL") or None,
        host=environment.get("FILLTRAIL_HOST", "127.0.0.1"),
        port=int(environment.get("FILLTRAIL_PORT", "8700")),
        name=environment.get("FILLTRAIL_HUB_NAME", "The network"),
        pushes=Rate(per_second, burst=max(1.0, 2 * per_second)),
        is_https=environment.get("FILLTRAIL_HTTPS", "") == "1",
    )


def _given(environment: Mapping[str, str], name: str) -> str:
    value = environment.get(name)
    if not value:
        raise Missing(f"{name} is not set")
    return value
