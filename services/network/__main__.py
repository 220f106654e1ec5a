"""The hub's program: reads the environment, the clock and the random source, and hands them down.

`python -m network serve | migrate | invite | officer | rebuild | verify | audit | snapshot | new-epoch | revoke | …`
"""

from __future__ import annotations

import datetime as dt
import os
import secrets
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Annotated, NoReturn
from uuid import UUID

import structlog
import typer

from eventlog.keys import public_text
from eventlog.practice import WARNING, NoPracticeClock, clock_of
from network import distrust
from network.audit import audit_fills
from network.audit_log import NotReadable
from network.beside import MarkIsBroken, beside, fallen_behind, mark_of
from network.enrolment import CODE_BYTES, NotInvitable, offer
from network.export import CannotExport, export_log
from network.hub import Hub, Identity, World, put_together
from network.identity import NoIdentity, identity_in, keep_incarnation, new_incarnation
from network.logs import set_up_logs
from network.office.people import NotAppointed, appoint
from network.projections.projection import rebuild as rebuild_projection
from network.projections.runner import PROJECTIONS
from network.restoring import begin_epoch
from network.settings import Missing, Settings, settings_from
from network.snapshots import NoSnapshot, make_snapshot
from network.store.database import Database, Tx
from network.store.migrate import migrate as apply_migrations
from network.store.recorder import open_recorder
from network.verify import check_log
from sync.at_hub import Appended

AFTER_A_RESTORE = (
    "If it was restored from a backup, run `network new-epoch`, then start the hub: the shops give back what is "
    "missing (infra/restore-the-hub.md). If the newer database still exists, use that one."
)

try:
    CLOCK = clock_of(os.environ, lambda: dt.datetime.now(dt.UTC))
except NoPracticeClock as wrong:
    raise SystemExit(str(wrong)) from None

cli = typer.Typer(no_args_is_help=True, add_completion=False, help="The hub of the network.")


@cli.callback()
def begin() -> None:
    """The hub of the network."""
    set_up_logs()


@cli.command()
def serve() -> None:
    """Serve nodes and officers until told to stop."""
    # Imported here: the other commands start sooner without the web.
    from network.server import HubServer

    settings = _settings()
    if CLOCK.is_practice:
        structlog.get_logger("network").warning(WARNING)
    _migrate(settings)
    identity = _identity(settings.data)
    _refuse_when_behind(settings, identity)
    HubServer(put_together(settings, _world(), identity)).run()


@cli.command()
def migrate() -> None:
    """Bring the database to the shape this version needs."""
    for name in _migrate(_settings()):
        typer.echo(f"applied {name}")


@cli.command()
def invite(
    name: Annotated[str, typer.Option(help="What people call the shop")],
    slug: Annotated[
        str, typer.Option(help="The node's name in the log: lower-case letters, digits, hyphens")
    ],
    reader: Annotated[bool, typer.Option(help="It reads the feed and publishes nothing")] = False,
    minutes: Annotated[float, typer.Option(help="How long the code works", min=0.1)] = 10,
) -> None:
    """Print a code that lets one node in, once."""
    settings = _settings()
    database = Database(settings.database_url)
    code = secrets.token_urlsafe(CODE_BYTES)
    expires_at = _now() + dt.timedelta(minutes=minutes)
    try:
        with database.transaction() as tx:
            offer(
                tx, code, slug=slug, name=name, role="reader" if reader else "branch", expires_at=expires_at
            )
    except NotInvitable as wrong:
        _stop(str(wrong))
    finally:
        database.close()
    typer.echo(code)


@cli.command()
def officer(
    name: Annotated[str, typer.Option(help="The working name that stands beside what they decide")],
    login: Annotated[str, typer.Option(help="What they sign in with")],
) -> None:
    """Let a safety officer in, or give one a new password (from FILLTRAIL_OFFICER_PASSWORD)."""
    settings = _settings()
    password = os.environ.get("FILLTRAIL_OFFICER_PASSWORD", "")
    _migrate(settings)
    hub = _hub(settings)
    try:
        with hub.database.transaction() as tx:
            appended = appoint(
                tx, hub.own_log, login=login, name=name, password=password,
                fact_id=_uuid7(), actor_id=f"officer-{secrets.token_hex(6)}", now=_now(),
            )  # fmt: skip
        if appended is not None:
            hub.announce_own(appended)
    except NotAppointed as wrong:
        _stop(str(wrong))
    finally:
        hub.close()
    typer.echo(f"{login} may sign in")


@cli.command()
def rebuild(
    name: Annotated[
        str | None, typer.Argument(help="cylinders, history, fills, exposures, actors, nodes; all without it")
    ] = None,
) -> None:
    """Drop a projection's tables and read the whole log into it again."""
    if name is not None and name not in PROJECTIONS:
        _stop(f"no projection is called {name}; there are {', '.join(PROJECTIONS)}")
    database = Database(_settings().database_url)
    try:
        for each in [name] if name is not None else PROJECTIONS:
            typer.echo(f"{each}: {rebuild_projection(database, PROJECTIONS[each])} facts read")
    finally:
        database.close()


@cli.command()
def verify(json: Annotated[bool, typer.Option("--json", help="One JSON document")] = False) -> None:
    """Check the whole log: chains, signatures, positions, hashes, standings. Ends with 1 when anything is wrong."""
    settings = _settings()
    database = Database(settings.database_url)
    try:
        report = check_log(database, hub_key=_identity(settings.data).key.public_key())
    finally:
        database.close()
    if json:
        typer.echo(report.model_dump_json())
    else:
        typer.echo(f"epoch {report.epoch}, position {report.position}, feed {report.feed_hash}")
        typer.echo(f"{report.facts} facts, standing {report.standing_digest}")
        for problem in report.problems:
            typer.echo(f"WRONG: {problem}", err=True)
        typer.echo("nothing is wrong" if not report.problems else f"{len(report.problems)} problems")
    raise typer.Exit(1 if report.problems else 0)


@cli.command()
def audit(json: Annotated[bool, typer.Option("--json", help="One JSON document")] = False) -> None:
    """Judge every fill again over what its shop held then. Ends with 1 when a shop knew, and filled."""
    settings = _settings()
    _migrate(settings)
    database = Database(settings.database_url)
    try:
        report = audit_fills(database, now=_now())
    except NotReadable as wrong:
        _stop(f"{wrong}: run `network verify`")
    finally:
        database.close()
    if json:
        typer.echo(report.model_dump_json())
    else:
        typer.echo(f"{report.fills} fills, judged up to position {report.position} of epoch {report.epoch}")
        typer.echo(f"{report.could_not_have_known} were made before the shop could have known")
        for one in report.cannot_say:
            typer.echo(f"CANNOT SAY: fill {one.fill_id} at {one.node} on {one.performed_on}", err=True)
        for one in report.knew:
            held = ", ".join(f"{block.words} ({block.id})" for block in one.blocks)
            typer.echo(
                f"KNEW, AND FILLED: {one.node} on {one.performed_on}, fill {one.fill_id}: {held}", err=True
            )
        typer.echo(f"{len(report.knew)} knew, and filled")
    raise typer.Exit(1 if report.knew else 0)


@cli.command()
def export() -> None:
    """Write the whole log to standard output, for `filltrail verify FILE` anywhere else. No name of a diver is in it."""
    settings = _settings()
    database = Database(settings.database_url)
    try:
        for line in export_log(database, hub_key=_identity(settings.data).key.public_key()):
            typer.echo(line)
    except CannotExport as wrong:
        _stop(str(wrong))
    finally:
        database.close()


@cli.command()
def snapshot() -> None:
    """Write a ready file of the feed, from which a new shop starts. The last two are kept; the hub makes one a day itself."""
    settings = _settings()
    identity = _identity(settings.data)
    _refuse_when_behind(settings, identity)
    database = Database(settings.database_url)
    try:
        made = make_snapshot(database, settings.data, identity.key, now=_now())
    except (NoSnapshot, OSError) as wrong:
        _stop(f"no snapshot was made: {wrong}")
    finally:
        database.close()
    said = made.manifest
    typer.echo(f"epoch {said.epoch}, position {said.position}, {said.bytes} bytes, {said.sha256}")


@cli.command("public-key")
def show_public_key() -> None:
    """Print the hub's public key, for whoever checks its log offline."""
    typer.echo(public_text(_identity(_settings().data).key.public_key()))


@cli.command()
def new_epoch() -> None:
    """After a restore: name the feed anew, so that every shop gives back what this database does not hold.

    Stop the hub first, and start it afterwards.
    """
    settings = _settings()
    _migrate(settings)
    identity = replace(_identity(settings.data), inc=new_incarnation(secrets.token_bytes))
    # First on the disk: numbers of the incarnation before may have been used after the backup was made.
    keep_incarnation(settings.data, identity.inc)
    database = Database(settings.database_url)
    try:
        recorder = open_recorder(database)
        epoch = secrets.token_hex(8)
        begun = begin_epoch(
            database, recorder, identity.key, epoch=epoch, inc=identity.inc, opening_id=_uuid7(),
            name=settings.name, now=_now(),
        )  # fmt: skip
        kept_beside = beside(settings.data, identity.key)
        with database.transaction() as tx:
            kept_beside.keep(mark_of(tx, recorder, identity.inc))
        kept_beside.clear_fall()
    finally:
        database.close()
    typer.echo(f"The feed is epoch {epoch} from position {begun.position} on.")
    typer.echo(
        "Start the hub. Each shop that reaches it compares its copy of the feed and gives back, by itself, what"
    )
    typer.echo(
        "this database does not hold. Watch filltrail_returned_facts in /metrics, then run: network verify"
    )


@cli.command()
def revoke(
    node: Annotated[str, typer.Argument(help="The node whose key is withdrawn")],
    reason: Annotated[str, typer.Option(help="Why, for everybody to read")],
) -> None:
    """Withdraw a node's key. What its log holds until now stays; from here on only what blocks is taken from it."""
    _state(lambda tx, hub: distrust.revoke(tx, hub.own_log, node, reason, fact_id=_uuid7(), now=_now()))
    typer.echo(f"the key of {node} is withdrawn; invite the shop again when it has made a new one")


@cli.command()
def lift_suspicion(
    node: Annotated[str, typer.Argument(help="The node that was seen twice")],
    finding: Annotated[str, typer.Option(help="What a person found, for everybody to read")],
) -> None:
    """Say that what was suspected of a node does not hold. A key that was withdrawn stays so."""
    _state(lambda tx, hub: distrust.lift(tx, hub.own_log, node, finding, fact_id=_uuid7(), now=_now()))
    typer.echo(f"nothing is held against {node} any more")


def _state(write: Callable[[Tx, Hub], Appended]) -> None:
    """Record one fact of the hub's own."""
    hub = _hub(_settings())
    try:
        with hub.database.transaction() as tx:
            appended = write(tx, hub)
        hub.announce_own(appended)
    except distrust.NotDone as wrong:
        _stop(str(wrong))
    finally:
        hub.close()


def _hub(settings: Settings) -> Hub:
    """The parts of the hub for one command; stops when its database is an older one."""
    identity = _identity(settings.data)
    _refuse_when_behind(settings, identity)
    why = beside(settings.data, identity.key).fell_back()
    if why is not None:
        _stop(f"{why}. {AFTER_A_RESTORE}")
    return put_together(settings, _world(), identity)


def _refuse_when_behind(settings: Settings, identity: Identity) -> None:
    """Stop when this database lacks something that this hub has served: numbers would be given twice."""
    database = Database(settings.database_url)
    try:
        mark = beside(settings.data, identity.key).mark()
        with database.transaction() as tx:
            why = None if mark is None else fallen_behind(tx, open_recorder(database), mark)
    except MarkIsBroken as wrong:
        why = str(wrong)
    finally:
        database.close()
    if why is not None:
        _stop(f"This database is not the one that was served: {why}. {AFTER_A_RESTORE}")


def _settings() -> Settings:
    try:
        return settings_from(os.environ)
    except (Missing, ValueError) as wrong:
        _stop(str(wrong))


def _migrate(settings: Settings) -> list[str]:
    database = Database(settings.database_url)
    try:
        return apply_migrations(database, now=_now(), epoch=secrets.token_hex(8))
    finally:
        database.close()


def _world() -> World:
    return World(clock=_now, new_id=_uuid7, draw=secrets.token_bytes, is_practice=CLOCK.is_practice)


def _now() -> dt.datetime:
    return CLOCK.now()


def _uuid7() -> UUID:
    """RFC 9562, 5.7: 48 bits of milliseconds, then random bits."""
    value = (time.time_ns() // 1_000_000 & (1 << 48) - 1) << 80 | secrets.randbits(80)
    value = value & ~(0xF << 76) | 0x7 << 76
    value = value & ~(0x3 << 62) | 0x2 << 62
    return UUID(int=value)


def _identity(data: Path) -> Identity:
    try:
        return identity_in(data, secrets.token_bytes)
    except NoIdentity as wrong:
        _stop(str(wrong))


def _stop(why: str) -> NoReturn:
    typer.echo(why, err=True)
    raise typer.Exit(2)


if __name__ == "__main__":
    cli()
