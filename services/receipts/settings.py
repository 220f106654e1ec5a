"""What the receipts worker is told from outside. Reads a mapping; only `__main__` knows that it is the environment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from receipts.mail import Sender, sender_from
from receipts.post import Relay, relay_from

DEFAULT_FROM = "Filltrail receipts <receipts@filltrail.example>"
DEFAULT_PORT = "8750"


class Missing(Exception):
    """Settings that have no default were not given."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Where the worker keeps things, whom it reads from and writes through, and where it can be looked at."""

    data: Path
    hub_url: str
    relay: Relay
    sender: Sender
    host: str
    port: int


def settings_from(environment: Mapping[str, str]) -> Settings:
    """Settings from variables that begin with FILLTRAIL_. Raises Missing, ValueError."""
    names = ("FILLTRAIL_DATA", "FILLTRAIL_HUB_URL", "FILLTRAIL_SMTP_URL")
    missing = [name for name in names if not environment.get(name)]
    if missing:
        raise Missing(f"not set: {', '.join(missing)}")
    return Settings(
        data=Path(environment["FILLTRAIL_DATA"]),
        hub_url=environment["FILLTRAIL_HUB_URL"],
        relay=relay_from(environment["FILLTRAIL_SMTP_URL"]),
        sender=sender_from(environment.get("FILLTRAIL_FROM", DEFAULT_FROM)),
        host=environment.get("FILLTRAIL_HOST", "127.0.0.1"),
        port=int(environment.get("FILLTRAIL_PORT", DEFAULT_PORT)),
    )
