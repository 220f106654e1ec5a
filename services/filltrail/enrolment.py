"""The first time: the officer, the shops, their staff and the mail worker are made known, each once.

Owns the memory of what was already done, so that an interrupted first start goes on where it stopped.
"""

import datetime
import json
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from threading import Lock

from pydantic import BaseModel, TypeAdapter

from filltrail.cast import Cast, Gas, Shop, Staff
from filltrail.layout import Layout, last_line, run
from filltrail.processes import together


class ShopEnrolled(BaseModel):
    enrolled: bool = False
    staff: dict[str, str] = {}


class Enrolled(BaseModel):
    """What is done; `staff` holds the actor id that each shop gave."""

    officer: bool = False
    receipts: bool = False
    shops: dict[str, ShopEnrolled] = {}

    def is_complete(self, cast: Cast) -> bool:
        return (
            self.officer
            and self.receipts
            and all(
                (known := self.shops.get(shop.slug)) is not None
                and known.enrolled
                and known.staff.keys() >= {person.key for person in shop.staff}
                for shop in cast.shops
            )
        )

    def actors(self) -> dict[str, str]:
        return {key: actor for shop in self.shops.values() for key, actor in shop.staff.items()}


def read_enrolled(folder: Path) -> Enrolled:
    path = folder / "enrolled.json"
    return Enrolled.model_validate_json(path.read_text()) if path.exists() else Enrolled()


def enrol_everybody(layout: Layout, hub_environment: Mapping[str, str], *, today: datetime.date) -> Enrolled:
    """Needs a hub that answers; does only what is not done yet. Raises CommandFailed."""
    done = read_enrolled(layout.folder)
    if not done.officer:
        _enrol_officer(layout, hub_environment)
        done.officer = True
        _remember(layout.folder, done)
    one_writer = Lock()

    def enrol(shop: Shop) -> None:
        with one_writer:
            known = done.shops.setdefault(shop.slug, ShopEnrolled())
        if not known.enrolled:
            _enrol_shop(layout, hub_environment, shop)
            with one_writer:
                known.enrolled = True
                _remember(layout.folder, done)
        missing = [person for person in shop.staff if person.key not in known.staff]
        if missing:
            actors = _enrol_crew(layout, shop, missing, today=today)
            with one_writer:
                known.staff.update(actors)
                _remember(layout.folder, done)

    def enrol_receipts() -> None:
        code = last_line(
            run(
                "network",
                "invite",
                "--name",
                "receipts",
                "--slug",
                "receipts",
                "--reader",
                env=hub_environment,
            )
        )
        run("receipts", "enrol", "--hub", layout.hub_url, "--code", code, env=layout.receipts_environment())
        with one_writer:
            done.receipts = True
            _remember(layout.folder, done)

    jobs: list[Callable[[], None]] = [partial(enrol, shop) for shop in layout.cast.shops]
    together(lambda job: job(), [*jobs, *([] if done.receipts else [enrol_receipts])])
    return done


def device_code(layout: Layout, slug: str) -> str:
    """A new one-time code with which a tablet, or a browser, becomes one of the shop's devices."""
    return last_line(run("branch", "device", env=layout.shop_environment(slug)))


def _enrol_officer(layout: Layout, hub_environment: Mapping[str, str]) -> None:
    officer = layout.cast.officer
    # The password goes through the environment: a command line can be read by everybody on the machine.
    env = {**hub_environment, "FILLTRAIL_OFFICER_PASSWORD": officer.password}
    run("network", "officer", "--name", officer.name, "--login", officer.login, env=env)


def _enrol_shop(layout: Layout, hub_environment: Mapping[str, str], shop: Shop) -> None:
    network = layout.cast.network
    code = last_line(run("network", "invite", "--name", shop.name, "--slug", shop.slug, env=hub_environment))
    run(
        "branch",
        *("enrol", "--hub", layout.hub_url, "--code", code, "--slug", shop.slug, "--name", shop.name),
        *("--unit", shop.unit, "--zone", network.zone),
        *("--phone", shop.phone, "--safety-phone", network.safety_phone),
        *(("--reply-to", shop.reply_to) if shop.reply_to is not None else ()),
        env=layout.shop_environment(shop.slug),
    )


def _enrol_crew(
    layout: Layout, shop: Shop, people: Sequence[Staff], *, today: datetime.date
) -> dict[str, str]:
    """The staff id of each, by key. PINs go through standard input: a command line can be read by everybody."""
    crew = [_hand(person, today=today) for person in people]
    gases = ("--gases", json.dumps([_gas(gas, shop.unit) for gas in shop.gases])) if shop.gases else ()
    answer = last_line(
        run("branch", "crew", *gases, env=layout.shop_environment(shop.slug), said=json.dumps(crew))
    )
    ids = TypeAdapter(dict[str, str]).validate_json(answer)
    return {person.key: ids[person.name] for person in people}


def _hand(person: Staff, *, today: datetime.date) -> dict[str, str]:
    hand = {"name": person.name, "role": person.role, "pin": person.pin}
    if person.certificate is not None and person.certificate_days is not None:
        until = today + datetime.timedelta(days=person.certificate_days)
        hand |= {"certificate": person.certificate, "certificate_until": until.isoformat()}
    if person.mixing_days is not None:
        hand["mixes_until"] = (today + datetime.timedelta(days=person.mixing_days)).isoformat()
    return hand


def _gas(gas: Gas, unit: str) -> dict[str, object]:
    """As the shop keeps it."""
    kept: dict[str, object] = {
        "name": gas.name,
        "oxygen_percent": gas.oxygen_percent,
        "helium_percent": gas.helium_percent,
        "price_per_m3": gas.price_per_m3,
    }
    if gas.gauge is not None:
        kept["pressure"] = {"value": gas.gauge, "unit": unit}
    if gas.litre is not None:
        kept["bottle_litre"] = gas.litre
    return kept


def _remember(folder: Path, done: Enrolled) -> None:
    unfinished = folder / "enrolled.partial"
    unfinished.write_text(done.model_dump_json(indent=1))
    unfinished.replace(folder / "enrolled.json")
