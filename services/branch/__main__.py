"""The branch's program: enrol a shop, take on staff, enrol tablets, serve, verify, rebuild.

The only module of the branch that reads the clock, the environment and randomness.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import json as json_lib
import os
import secrets
import sys
import time
from pathlib import Path
from typing import Annotated
from uuid import UUID

import httpx
import structlog
import typer
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pydantic import BaseModel, TypeAdapter
from rich.console import Console

from branch import witness
from branch.enrolment import finish, forget_key, key_to_ask_with, settle
from branch.house_rules import HouseRulesAreFaulty
from branch.node import (
    AnotherIsRunning,
    Node,
    World,
    lock_folder,
    open_node,
    open_store,
    wake_store,
)
from branch.offline import check_file, kept_checkpoints
from branch.people import SignInRefused
from branch.settings import ShopSettings, read_settings
from branch.staff import Role, take_on
from branch.store import StoreIsBroken
from branch.verify import check, rebuild
from cylinder.gases import GasOnHand
from eventlog.hub_client import HubClient, HubRefused, HubUnreachable, enrol
from eventlog.keys import public_key, public_text
from eventlog.log_file import NotALog, read_checkpoints
from eventlog.practice import WARNING, NoPracticeClock, clock_of
from eventlog.whole_log import Shown
from eventlog.wire import Enrolled, Enrolment

app = typer.Typer(no_args_is_help=True, add_completion=False, help="A shop's node of the cylinder network.")
say = Console(stderr=True, highlight=False)

_CODE_SIGNS = "ABCDEFGHJKMNPQRTUVWXY346789"  # Without the signs that are misread for one another.


def _uuid7() -> UUID:
    """A UUID version 7 (RFC 9562, 5.7): 48 bits of milliseconds, then random."""
    milliseconds = time.time_ns() // 1_000_000
    value = (
        (milliseconds & (2**48 - 1)) << 80
        | 0x7 << 76
        | secrets.randbits(12) << 64
        | 0b10 << 62
        | secrets.randbits(62)
    )
    return UUID(int=value)


try:
    CLOCK = clock_of(os.environ, lambda: dt.datetime.now(dt.UTC))
except NoPracticeClock as wrong:
    raise SystemExit(str(wrong)) from None

WORLD = World(
    now=CLOCK.now,
    monotonic_s=time.monotonic,
    new_id=_uuid7,
    new_token=lambda: secrets.token_urlsafe(32),
    new_code=lambda: "".join(secrets.choice(_CODE_SIGNS) for _ in range(8)),
    chance=lambda: secrets.SystemRandom().random(),
    beat_s=float(os.environ.get("FILLTRAIL_BEAT_S", "20")),
    marker_folder=Path(os.environ["FILLTRAIL_MARKER_DIR"]) if "FILLTRAIL_MARKER_DIR" in os.environ else None,
    is_practice=CLOCK.is_practice,
)


class _Hand(BaseModel):
    name: str
    role: Role
    pin: str
    certificate: str = ""
    certificate_until: dt.date | None = None
    mixes_until: dt.date | None = None


_CREW = TypeAdapter(list[_Hand])
_GASES = TypeAdapter(tuple[GasOnHand, ...])


def _data() -> Path:
    return Path(os.environ.get("FILLTRAIL_DATA", ".filltrail-branch"))


def _fail(words: str) -> typer.Exit:
    say.print(f"[red]{words}[/red]")
    return typer.Exit(1)


@app.command("enrol")
def enrol_shop(
    hub: Annotated[str, typer.Option(help="Address of the hub, such as https://hub.example")],
    code: Annotated[str, typer.Option(help="One-time code from the hub's operator")],
    slug: Annotated[str, typer.Option(help="Short name of the shop, as in the invitation")],
    name: Annotated[str, typer.Option(help="Name over the door; not needed to enrol a shop anew")] = "",
    jurisdiction: Annotated[str, typer.Option(help="Rulebook that applies here")] = "us",
    zone: Annotated[str, typer.Option(help="Time zone, such as America/New_York")] = "UTC",
    unit: Annotated[str, typer.Option(help="psi or bar: the unit that pages start with")] = "psi",
    phone: Annotated[str, typer.Option(help="The shop's telephone, for receipts")] = "",
    reply_to: Annotated[str, typer.Option(help="The shop's mail address, for receipts")] = "",
    safety_phone: Annotated[str, typer.Option(help="Whom to ring about a condemned cylinder")] = "",
    whips: Annotated[int, typer.Option(min=1, max=24)] = 4,
    slots: Annotated[int, typer.Option(min=1, max=99)] = 28,
    store_policy: Annotated[
        str, typer.Option(help="TOML file in the data folder: rules stricter than the law")
    ] = "",
    permits: Annotated[
        str, typer.Option(help="TOML file in the data folder: special permits read here")
    ] = "",
    lost: Annotated[bool, typer.Option("--lost", help="This shop had a log before, and it is gone")] = False,
) -> None:
    """Turn a one-time code into a place in the network, and begin this shop's log.

    On a folder that holds the shop already: a new key, after the old one was copied or stolen. Its log and its
    settings stay; the log goes on in a new incarnation.
    """
    data = _data()
    data.mkdir(parents=True, exist_ok=True, mode=0o700)
    _lock()
    finish(data)
    before = read_settings(data) if (data / "shop.json").exists() else None
    if before is not None and before.node != slug:
        raise _fail(f"{data} already holds the shop {before.node}. Choose another folder.")
    if before is None and not name:
        raise _fail("Give the name over the door with --name.")
    made = Ed25519PrivateKey.generate()
    key = key_to_ask_with(data, made)
    if before is not None and key is not made and asyncio.run(_knows(hub, before, key)):
        # The hub had answered an earlier try, and the answer was lost: the code is spent, the key is good.
        settle(data, before)
        wake_store(data, before, WORLD).close()
        say.print(f"{before.name} is enrolled as {before.node} anew.")
        return
    try:
        asked = Enrolment(code=code, public_key=public_text(key.public_key()), phone=phone, reply_to=reply_to)
        enrolled = asyncio.run(_ask_hub(hub, asked))
    except HubRefused as wrong:
        forget_key(data)
        raise _fail(f"The hub did not enrol this shop: {wrong}. Ask its operator for a new code.") from None
    except (HubUnreachable, ValueError) as wrong:
        raise _fail(f"The hub did not enrol this shop: {wrong}") from None
    if enrolled.node != slug:
        forget_key(data)
        raise _fail(f"The code was made for {enrolled.node}, not for {slug}.")
    known = {"hub_url": hub, "hub_node": enrolled.hub_node, "hub_public_key": enrolled.hub_public_key}
    if before is None:
        settings = ShopSettings(
            node=enrolled.node, name=name, jurisdiction=jurisdiction, zone=zone, unit=unit, phone=phone,
            safety_phone=safety_phone, whips=whips, slots=slots, store_policy=store_policy, permits=permits, **known,
        )  # fmt: skip
    else:
        settings = before.model_copy(update=known)
    settle(data, settings)
    wake_store(data, settings, WORLD, is_lost=lost).close()
    say.print(f"{settings.name} is enrolled as {enrolled.node}{' anew' if before else ''}.")


async def _knows(hub: str, settings: ShopSettings, key: Ed25519PrivateKey) -> bool:
    async with httpx.AsyncClient() as http:
        client = HubClient(
            http, base_url=hub, node=settings.node, key=key, hub_public_key=public_key(settings.hub_public_key),
            clock=WORLD.now,
        )  # fmt: skip
        try:
            await client.head()
        except (HubRefused, HubUnreachable):
            return False
    return True


async def _ask_hub(hub: str, enrolment: Enrolment) -> Enrolled:
    async with httpx.AsyncClient() as http:
        return await enrol(http, hub, enrolment)


@app.command()
def staff(
    name: Annotated[str, typer.Option(help="Working name, such as R. Amat")],
    role: Annotated[Role, typer.Option(help="What they may do")],
    certificate: Annotated[str, typer.Option(help="Inspector's certificate number")] = "",
    certificate_until: Annotated[str, typer.Option(help="Last day it is good, YYYY-MM-DD")] = "",
) -> None:
    """Take somebody on. The PIN comes from the environment variable FILLTRAIL_PIN. Prints the staff id."""
    node = _open()
    try:
        until = dt.date.fromisoformat(certificate_until) if certificate_until else None
        actor_id = take_on(
            node.store, node.people, known_as=name, role=role, pin=os.environ.get("FILLTRAIL_PIN", ""),
            new_id=_uuid7(), now=WORLD.now(), today=node.desk.today(), by="node", certificate=certificate,
            certificate_until=until,
        )  # fmt: skip
    except (SignInRefused, ValueError) as wrong:
        raise _fail(str(wrong)) from None
    finally:
        node.store.close()
    sys.stdout.write(actor_id + "\n")


@app.command()
def crew(
    gases: Annotated[
        str, typer.Option(help="What the shop blends with, a JSON list as its page keeps it")
    ] = "",
) -> None:
    """Take on several people at once: a JSON list on standard input, each with name, role, pin and, for an inspector,
    certificate and certificate_until; mixes_until for who is trained to mix gas. Prints one JSON object of names and staff ids."""
    node = _open()
    try:
        people = _CREW.validate_json(sys.stdin.buffer.read())
        taken = {
            one.name: take_on(
                node.store, node.people, known_as=one.name, role=one.role, pin=one.pin, new_id=_uuid7(),
                now=WORLD.now(), today=node.desk.today(), by="node", certificate=one.certificate,
                certificate_until=one.certificate_until,
            )
            for one in people
        }  # fmt: skip
        for one in people:
            if one.mixes_until is not None:
                node.gases.set_trained(taken[one.name], one.mixes_until)
        if gases:
            node.gases.keep(_GASES.validate_json(gases))
    except (SignInRefused, ValueError) as wrong:
        raise _fail(str(wrong)) from None
    finally:
        node.store.close()
    sys.stdout.write(json_lib.dumps(taken) + "\n")


@app.command()
def device() -> None:
    """Print a one-time code, good for ten minutes, by which a tablet becomes one of this shop's."""
    sys.stdout.write(_open(locked=False).people.device_code() + "\n")


@app.command()
def serve() -> None:
    """Serve the shop's pages and keep in step with the network."""
    # Imported here: the other commands start in half the time without the web.
    from branch.web.logs import set_up_logs
    from branch.web.server import NodeServer

    data = _data()
    if not (data / "shop.json").exists():
        raise _fail(f"No shop is enrolled in {data}. Run `filltrail branch enrol` first.")
    set_up_logs()
    if CLOCK.is_practice:
        structlog.get_logger("branch").warning(WARNING)
    node = _open()
    host, port = os.environ.get("FILLTRAIL_HOST", "127.0.0.1"), int(os.environ.get("FILLTRAIL_PORT", "8701"))
    server = NodeServer(node, host=host, port=port)
    server.run()
    if not server.started:
        raise typer.Exit(3)


@app.command("verify")
def verify_log(
    json: Annotated[bool, typer.Option("--json", help="One JSON document on standard output")] = False,
) -> None:
    """Check chain, signatures, feed hash and every standing, and print the digests."""
    store = open_store(_data(), read_settings(_data()))
    report = check(store)
    if json:
        sys.stdout.write(report.model_dump_json() + "\n")
    else:
        say.print(
            f"{report.node}: {report.facts} facts, feed at {report.position}, {report.unsent} not sent yet"
        )
        say.print(f"feed hash {report.feed_hash}\nstandings {report.standing_digest}")
        for problem in report.problems:
            say.print(f"[red]{problem}[/red]")
        for odd in report.not_believed:
            say.print(f"not taken for a fact: {odd}")
    raise typer.Exit(1 if report.problems else 0)


@app.command("verify-file")
def verify_file(
    path: Annotated[Path, typer.Argument(help="A node's branch.sqlite, or a copy of one")],
    hub_key: Annotated[list[str] | None, typer.Option(help="The hub's public key as base64")] = None,
    against: Annotated[list[Path] | None, typer.Option(help="Checkpoints that another shop saw")] = None,
    json: Annotated[bool, typer.Option("--json", help="One JSON document on standard output")] = False,
) -> None:
    """Check a database file as it lies, read only, and say where it breaks."""
    try:
        keys = [public_key(text) for text in hub_key or []]
        others = [
            Shown(one, other.name) for other in against or [] for one in read_checkpoints(other.read_text())
        ]
    except (ValueError, OSError, NotALog) as wrong:
        raise _fail(f"Not usable: {wrong}") from None
    report = check_file(path, hub_keys=keys, others=others)
    if json:
        sys.stdout.write(report.model_dump_json() + "\n")
    else:
        for problem in report.problems:
            say.print(f"[red]{problem}[/red]")
        say.print(f"{report.facts} facts to position {report.position}, root {report.root}")
    raise typer.Exit(1 if report.problems else 0)


@app.command()
def checkpoints(
    most: Annotated[int, typer.Option(min=1, max=100_000, help="The last so many")] = 100,
) -> None:
    """Print the hub's checkpoints that this node has seen, for another shop's `filltrail verify --against`."""
    found = kept_checkpoints(_data() / "branch.sqlite", most=most)
    sys.stdout.write(f"[{','.join(one.model_dump_json() for one in found)}]\n")


@app.command()
def evidence(
    answer: Annotated[int | None, typer.Option(help="The number of one that was looked into")] = None,
    by: Annotated[str, typer.Option(help="Who looked into it")] = "",
    words: Annotated[str, typer.Option(help="What came of it")] = "",
) -> None:
    """Show what this node holds against the hub's log, or against its own copy. The signed bytes are kept for ever; with
    `--answer` the pages no longer warn of that one."""
    store = open_store(_data(), read_settings(_data()))
    if answer is not None:
        if not by.strip() or not words.strip():
            raise _fail("Say who looked into it (--by) and what came of it (--words).")
        with store.writing() as tx:
            is_new = witness.put_answer(tx.c, answer, by=by, words=words, now=WORLD.now())
        if not is_new:
            raise _fail(f"There is no evidence {answer} that waits for an answer.")
    with store.reading() as c:
        found = witness.evidence(c)
    for one in found:
        said = "waits for an answer" if one.answer is None else f"{one.answered_by}: {one.answer}"
        sys.stdout.write(f"{one.id}  {one.found_at.isoformat()}  {one.kind}: {one.words}. {said}\n")
        sys.stdout.write(f"    signed {one.signed.raw} {one.signed.signature}\n")
        if one.against is not None:
            sys.stdout.write(f"    against {one.against.raw} {one.against.signature}\n")
    raise typer.Exit(1 if any(one.answer is None for one in found) else 0)


@app.command("rebuild")
def rebuild_standings() -> None:
    """Fold every standing again from the facts."""
    _lock()
    changed = rebuild(open_store(_data(), read_settings(_data())))
    say.print(f"Every standing was folded again; {changed} had to change.")


def _lock() -> None:
    try:
        lock_folder(_data())
    except AnotherIsRunning as wrong:
        raise _fail(str(wrong)) from None
    except FileNotFoundError:
        raise _fail(f"No shop is enrolled in {_data()}.") from None
    except OSError as wrong:
        raise _fail(
            f"{_data()} cannot be written: {wrong.strerror}. Nothing can be recorded; do not fill."
        ) from None


def _open(*, locked: bool = True) -> Node:
    if locked:
        _lock()
    try:
        return open_node(_data(), WORLD, hub_url=os.environ.get("FILLTRAIL_HUB_URL"), is_alone=locked)
    except FileNotFoundError:
        raise _fail(f"No shop is enrolled in {_data()}.") from None
    except HouseRulesAreFaulty as faulty:
        for problem in faulty.problems:
            say.print(f"[red]{problem}[/red]")
        raise _fail(
            "The shop's own rules cannot be used, so nothing is served. Correct them and start again."
        ) from None
    except StoreIsBroken as wrong:
        raise _fail(f"{wrong}. Do not fill. What to do after a loss is in infra/backup.md.") from None


if __name__ == "__main__":
    app()
