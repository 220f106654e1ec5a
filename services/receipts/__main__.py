"""The receipts worker: reads the environment, the clock and the random source, and hands them down.

`python -m receipts enrol --hub URL --code CODE`, then `python -m receipts serve`.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import fcntl
import os
import random
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, NoReturn
from urllib.parse import urlsplit
from uuid import UUID

import httpx
import structlog
import typer
import uvicorn
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pydantic import ValidationError

import rulebook
from eventlog import hub_client
from eventlog.keys import private_key, private_pem, public_key, public_text
from eventlog.practice import WARNING, NoPracticeClock, clock_of
from eventlog.wire import Enrolled, Enrolment
from receipts.dispatch import Dispatch
from receipts.ledger import Ledger
from receipts.logs import set_up_logs
from receipts.page import app
from receipts.post import Post
from receipts.reading import Reading
from receipts.settings import Missing, Settings, settings_from
from receipts.worker import Worker

LEAVE_WITHIN_S = 2
JURISDICTION = "us"
KEY_FILE = "node.key"
ENROLLED_FILE = "enrolled.json"
LEDGER_FILE = "receipts.sqlite3"
LOCK_FILE = "lock"

try:
    CLOCK = clock_of(os.environ, lambda: dt.datetime.now(dt.UTC))
except NoPracticeClock as wrong:
    raise SystemExit(str(wrong)) from None

cli = typer.Typer(no_args_is_help=True, add_completion=False, help="Mails each diver a receipt at hand-over.")


@cli.command()
def enrol(
    hub: Annotated[str, typer.Option(help="The hub's URL")],
    code: Annotated[str, typer.Option(help="The one-time code of a reader's invitation")],
) -> None:
    """Make a key and a place in the network for it."""
    data = _folder()
    if (data / ENROLLED_FILE).exists():
        _stop(f"{data} is enrolled already; the code was not used")
    # The key is on disk before the code is spent: a crash between the two leaves nothing that only the hub knows.
    key = _key(data)
    try:
        enrolled = asyncio.run(_enrol(hub, code, key))
    except (hub_client.HubRefused, hub_client.HubUnreachable, ValidationError) as wrong:
        _stop("the code is not one of the hub's" if isinstance(wrong, ValidationError) else str(wrong))
    _write(data / ENROLLED_FILE, enrolled.model_dump_json().encode())
    typer.echo(f"enrolled as {enrolled.node}")


@cli.command()
def serve() -> None:
    """Read the feed and send receipts until told to stop."""
    settings = _settings()
    data = _folder()
    if not (data / ENROLLED_FILE).exists():
        _stop(f"{data} is not enrolled: run `python -m receipts enrol` first")
    set_up_logs()
    if CLOCK.is_practice:
        structlog.get_logger("receipts").warning(WARNING)
    with _alone(data):
        asyncio.run(_serve(settings, Enrolled.model_validate_json((data / ENROLLED_FILE).read_bytes())))


@cli.command()
def settle(
    handover: Annotated[UUID, typer.Argument(help="The hand-over's id, as the page shows it")],
    again: Annotated[bool, typer.Option("--again/--delivered", help="Send it once more, or it did arrive")],
) -> None:
    """Say what became of a receipt whose end is unknown."""
    ledger = Ledger(_folder() / LEDGER_FILE)
    try:
        found = ledger.receipt(handover)
        if found is None or found.state != "unknown":
            _stop("no receipt of this hand-over is in the state `unknown`")
        if again:
            ledger.ask_again(handover, now=_now())
        else:
            ledger.settle(handover, "sent", before="unknown", reason="a person says so", now=_now())
    finally:
        ledger.close()


async def _enrol(hub: str, code: str, key: Ed25519PrivateKey) -> Enrolled:
    enrolment = Enrolment(code=code, public_key=public_text(key.public_key()))
    async with _http(hub) as http:
        return await hub_client.enrol(http, hub, enrolment)


async def _serve(settings: Settings, enrolled: Enrolled) -> None:
    ledger = Ledger(settings.data / LEDGER_FILE)
    async with _http(settings.hub_url) as http:
        hub = hub_client.HubClient(
            http,
            base_url=settings.hub_url,
            node=enrolled.node,
            key=_key(settings.data),
            hub_public_key=public_key(enrolled.hub_public_key),
            clock=_now,
        )
        dispatch = Dispatch(
            ledger=ledger,
            hub=hub,
            post=Post(settings.relay, greet_as=settings.sender.domain),
            sender=settings.sender,
            pack=rulebook.load(JURISDICTION),
            clock=_now,
            chance=random.SystemRandom().random,
        )
        worker = Worker(Reading(ledger, hub, enrolled.hub_node, _now), dispatch)
        try:
            await _listen(settings, worker, ledger)
        finally:
            ledger.close()


async def _listen(settings: Settings, worker: Worker, ledger: Ledger) -> None:
    bugs: list[BaseException] = []

    def crashed(by: BaseException | None) -> None:
        bugs.extend([] if by is None else [by])
        server.should_exit = True

    config = uvicorn.Config(
        app(worker, ledger, crashed=crashed, is_practice=CLOCK.is_practice),
        host=settings.host,
        port=settings.port,
        log_config=None,
        access_log=False,
        timeout_graceful_shutdown=LEAVE_WITHIN_S,
        server_header=False,
        lifespan="on",
    )
    server = uvicorn.Server(config)
    await server.serve()
    if bugs:
        raise bugs[0]


def _http(hub_url: str) -> httpx.AsyncClient:
    """A proxy of the environment is for the way out, not for a hub on this very machine."""
    return httpx.AsyncClient(trust_env=urlsplit(hub_url).hostname not in ("localhost", "127.0.0.1", "::1"))


@contextmanager
def _alone(data: Path) -> Iterator[None]:
    """Two workers on one ledger would send everything twice; the lock goes with the process, however it ends."""
    with (data / LOCK_FILE).open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            _stop(f"another worker runs on {data}")
        yield


def _settings() -> Settings:
    try:
        return settings_from(os.environ)
    except (Missing, ValueError) as wrong:
        _stop(str(wrong))


def _folder() -> Path:
    given = os.environ.get("FILLTRAIL_DATA")
    if not given:
        _stop("FILLTRAIL_DATA is not set")
    data = Path(given)
    data.mkdir(parents=True, exist_ok=True, mode=0o700)
    return data


def _key(data: Path) -> Ed25519PrivateKey:
    path = data / KEY_FILE
    if not path.exists():
        _write(path, private_pem(Ed25519PrivateKey.generate()))
    return private_key(path.read_bytes())


def _write(path: Path, content: bytes) -> None:
    """On disk, whole, and readable by its owner alone."""
    partial = path.with_suffix(".partial")
    partial.unlink(missing_ok=True)
    with os.fdopen(os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    partial.rename(path)


def _now() -> dt.datetime:
    return CLOCK.now()


def _stop(why: str) -> NoReturn:
    typer.echo(why, err=True)
    raise typer.Exit(2)


if __name__ == "__main__":
    cli()
