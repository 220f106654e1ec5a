"""Who is in the demo: the shops, their people, the officer and the divers, read from network.toml.

Owns the shape of that file. Knows nothing of how they are enrolled.
"""

import tomllib
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, model_validator

Slug = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9-]{1,30}$")]
Words = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=100)]
Pin = Annotated[str, StringConstraints(pattern=r"^\d{4,8}$")]
# A domain that belongs to nobody (RFC 2606): whatever goes wrong, nobody gets the demo's mail.
Address = Annotated[str, StringConstraints(pattern=r"^[^@\s]+@example\.org$")]
Zone = Annotated[str, AfterValidator(lambda name: ZoneInfo(name).key)]


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Staff(_Entry):
    key: Slug
    name: Words
    role: Literal["operator", "inspector", "manager"]
    pin: Pin
    certificate: Words | None = None
    certificate_days: Annotated[int, Field(gt=0)] | None = None
    mixing_days: Annotated[int, Field(gt=0)] | None = None


class Gas(_Entry):
    """What a shop blends with; the gauge in the shop's unit, none for a compressor."""

    name: Words
    oxygen_percent: float
    helium_percent: float = 0.0
    gauge: float | None = None
    litre: float | None = None
    price_per_m3: float = 0.0


class Shop(_Entry):
    slug: Slug
    name: Words
    unit: Literal["psi", "bar"]
    phone: Words
    reply_to: Address | None = None
    staff: tuple[Staff, ...]
    gases: tuple[Gas, ...] = ()


class Officer(_Entry):
    name: Words
    login: Slug
    password: Annotated[str, StringConstraints(min_length=12)]


class Diver(_Entry):
    key: Slug
    name: Words
    email: Address
    level: Words
    covers_nitrox: bool = False
    covers_trimix: bool = False


class Network(_Entry):
    name: Words
    zone: Zone
    safety_phone: Words


class Cast(_Entry):
    """Everybody; keys are unique, so that the story can name them, and names within a shop."""

    network: Network
    officer: Officer
    shops: Annotated[tuple[Shop, ...], Field(alias="shop", min_length=1)]
    divers: Annotated[tuple[Diver, ...], Field(alias="diver")]

    @model_validator(mode="after")
    def _nobody_is_meant_twice(self) -> "Cast":
        for kind, keys in (
            ("shop", [shop.slug for shop in self.shops]),
            ("staff", [person.key for shop in self.shops for person in shop.staff]),
            ("diver", [diver.key for diver in self.divers]),
            ("staff name", [f"{person.name} ({shop.slug})" for shop in self.shops for person in shop.staff]),
        ):
            twice = sorted({key for key in keys if keys.count(key) > 1})
            if twice:
                raise ValueError(f"the same {kind} twice: {', '.join(twice)}")
        return self

    def shop(self, slug: str) -> Shop:
        return next(shop for shop in self.shops if shop.slug == slug)


def read_cast(path: Path) -> Cast:
    return Cast.model_validate(tomllib.loads(path.read_text()))
