"""The console command `filltrail`: each service by its name, and the demo of all of them.

Owns reading the command line, the environment and the clock. A service is started as a program of its own.
What only the demo needs is imported by the demo alone, so that an image with one service can do without it.
"""

import datetime
import os
import signal
import sys
from pathlib import Path
from types import FrameType
from typing import Annotated, NoReturn
from zoneinfo import ZoneInfo

import typer
from rich.console import Console

from filltrail.cast import read_cast
from filltrail.layout import Layout, Ports, run
from filltrail.processes import CannotGoOn

app = typer.Typer(
    name="filltrail",
    help="The trail of every breathing-gas cylinder, kept by every shop that fills it.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
)
_PASS_ON = {"allow_extra_args": True, "ignore_unknown_options": True, "help_option_names": []}
console = Console()
errors = Console(stderr=True)

BasePort = Annotated[
    int,
    typer.Option(
        "--port", envvar="FILLTRAIL_DEMO_PORT", min=1024, max=65500, help="The first of fourteen ports."
    ),
]
Folder = Annotated[
    Path | None,
    typer.Option(
        "--folder", envvar="FILLTRAIL_DEMO_DIR", help="Where the demo keeps its data; .demo by default."
    ),
]


class StopAsked(BaseException):
    """Ctrl-C, or the system asking us to end. Not an Exception: nothing that mends errors may swallow it."""


@app.command(
    context_settings=_PASS_ON, help="The hub: `filltrail network serve`, `... verify`, `... --help`."
)
def network(context: typer.Context) -> None:
    _become("network", context.args)


@app.command(context_settings=_PASS_ON, help="A shop's node: `filltrail branch serve`, `... --help`.")
def branch(context: typer.Context) -> None:
    _become("branch", context.args)


@app.command(context_settings=_PASS_ON, help="The mail worker: `filltrail receipts serve`, `... --help`.")
def receipts(context: typer.Context) -> None:
    _become("receipts", context.args)


@app.command()
def mailbox() -> None:
    """Catch mail by SMTP and show it on a page; nothing is sent on."""
    import uvicorn

    from filltrail.mailbox import mailbox as catcher

    host = os.environ.get("FILLTRAIL_HOST", "127.0.0.1")
    page = catcher(
        Path(os.environ.get("FILLTRAIL_DATA", "mail")),
        smtp_host=host,
        smtp_port=int(os.environ.get("FILLTRAIL_SMTP_PORT", "8711")),
    )
    port = int(os.environ.get("FILLTRAIL_PORT", "8710"))
    uvicorn.run(page, host=host, port=port, log_level="warning", timeout_graceful_shutdown=3)


@app.command()
def demo(
    port: BasePort = 8700,
    folder: Folder = None,
    once: Annotated[bool, typer.Option("--once", help="Start, replay, print, stop.")] = False,
    replay: Annotated[bool, typer.Option(help="Replay the story that has not been told yet.")] = True,
    story: Annotated[
        Path | None, typer.Option(help="Another folder with network.toml and story.toml.")
    ] = None,
) -> None:
    """Run the whole invented network here. Ctrl-C stops it; a second start keeps its data."""
    from filltrail import demo as stage
    from filltrail.short_forms import read_story
    from filltrail.telling import tell_story

    layout = _layout(port, folder, story)
    # The shops' day: what the story calls today must not be tomorrow at the counter.
    zone = ZoneInfo(layout.cast.network.zone)
    try:
        story_told = read_story(layout.story_folder / "story.toml")
    except ValueError as wrong:
        _give_up(wrong)
    signal.signal(signal.SIGINT, _ask_to_stop)
    signal.signal(signal.SIGTERM, _ask_to_stop)
    try:
        with stage.running_demo(
            layout, console, story_told, now=lambda: datetime.datetime.now(zone), replay=replay
        ) as running:
            if replay:
                tell_story(running.stage)
            stage.start_mail_worker(running)
            stage.show_who_signs_in_where(running)
            if once:
                stage.wait_for_mail(running)
                failed = bool(stage.report_ended(running))
                console.print("Stopping")
                raise SystemExit(1 if failed else 0)
            console.print("Everything is up. Ctrl-C stops it; the data stays.", style="bold")
            if sys.stdin.isatty():
                console.print("Enter shows new codes for tablets.")
            stage.watch(running)
    except StopAsked:
        console.print("Stopped. The data stays; `make demo` goes on with it.")
    except CannotGoOn as failure:
        _give_up(failure)


@app.command("demo-codes")
def demo_codes(port: BasePort = 8700, folder: Folder = None) -> None:
    """Show a new code for each shop of the demo, with which a browser becomes one of its tablets."""
    from filltrail import demo as stage
    from filltrail.welcome import codes_table

    layout = _existing(_layout(port, folder))
    try:
        console.print(codes_table(layout, stage.fresh_codes(layout)))
    except CannotGoOn as failure:
        _give_up(failure)


@app.command("demo-reset")
def demo_reset(port: BasePort = 8700, folder: Folder = None) -> None:
    """Throw the demo's data away."""
    from filltrail import demo as stage

    layout = _layout(port, folder)
    try:
        stage.forget(layout)
    except CannotGoOn as failure:
        _give_up(failure)
    console.print(f"The demo's data in {layout.folder} is gone.")


@app.command()
def verify(
    paths: Annotated[
        list[Path] | None,
        typer.Argument(
            help="A shop's branch.sqlite, or a log from `filltrail network export`. Without any: the demo's nodes, side by side."
        ),
    ] = None,
    hub_key: Annotated[
        list[str] | None,
        typer.Option("--hub-key", help="The hub's public key, as base64, from somewhere else than the file."),
    ] = None,
    against: Annotated[
        list[Path] | None,
        typer.Option(help="Checkpoints that another shop saw: from `filltrail branch checkpoints`."),
    ] = None,
    json: Annotated[
        bool, typer.Option("--json", help="One JSON document a file, instead of lines to read.")
    ] = False,
    port: BasePort = 8700,
    folder: Folder = None,
    wait_s: Annotated[
        float, typer.Option("--wait", help="Seconds to let news arrive before a difference counts.")
    ] = 5.0,
) -> None:
    """Check whole logs offline and say where they break; exit code 1 when they do. Without a file: compare the demo's nodes."""
    try:
        if paths:
            _verify_files(paths, hub_key or [], against or [], as_json=json)
        else:
            _verify_demo(_existing(_layout(port, folder)), wait_s)
    except CannotGoOn as failure:
        _give_up(failure)


def _verify_files(paths: list[Path], hub_keys: list[str], against: list[Path], *, as_json: bool) -> None:
    from filltrail.verify import between, lines_of, verify_path

    reports = []
    for path in paths:
        report = verify_path(path, hub_keys=hub_keys, against=against)
        reports.append(report)
        for line in [report.model_dump_json()] if as_json else lines_of(path, report):
            typer.echo(line)
    differences = between(reports)
    for line in differences:
        typer.echo(line, err=as_json)
    raise SystemExit(int(bool(differences) or any(report.problems for report in reports)))


def _verify_demo(layout: Layout, wait_s: float) -> None:
    from filltrail import demo as stage
    from filltrail.compare import side_by_side, wait_until_equal

    with stage.hub_database(layout) as hub_environment:
        answer = wait_until_equal(layout, hub_environment, wait_s=wait_s)
    console.print(side_by_side(answer))
    if not answer.is_equal():
        for difference in answer.differences:
            errors.print(difference, style="bold red", markup=False, highlight=False)
        raise SystemExit(1)
    console.print("All nodes know the same.", style="bold green")


@app.command()
def rebuild(
    port: BasePort = 8700,
    folder: Folder = None,
    projection: Annotated[
        str | None, typer.Argument(help="One projection of the hub; all of them by default.")
    ] = None,
) -> None:
    """Drop what the demo's nodes derived from their logs, and derive it again."""
    from filltrail import demo as stage

    layout = _existing(_layout(port, folder))
    try:
        with stage.hub_database(layout) as hub_environment:
            words = ["rebuild", projection] if projection else ["rebuild"]
            console.print(run("network", *words, env=hub_environment).rstrip(), markup=False)
        for shop in layout.cast.shops if projection is None else ():
            run("branch", "rebuild", env=layout.shop_environment(shop.slug))
            console.print(f"{shop.name}: every standing derived again")
    except CannotGoOn as failure:
        _give_up(failure)


def main() -> None:
    app()


def _become(service: str, words: list[str]) -> NoReturn:
    """Turn into the service: same process, same signals, nothing in between."""
    os.execv(sys.executable, [sys.executable, "-m", service, *words])


def _layout(port: int, folder: Path | None, story: Path | None = None) -> Layout:
    root = Path(__file__).resolve().parents[2]
    story = story or root / "demo_data"
    if not (story / "network.toml").exists():
        errors.print(
            "The demo needs its data, demo_data/network.toml: run it from a clone of the repository."
        )
        raise SystemExit(2)
    return Layout((folder or root / ".demo").resolve(), story, Ports(port), read_cast(story / "network.toml"))


def _existing(layout: Layout) -> Layout:
    if not layout.folder.exists():
        errors.print(
            f"There is no demo in {layout.folder}. For a node of your own: filltrail network verify, filltrail branch verify."
        )
        raise SystemExit(2)
    return layout


def _give_up(failure: Exception) -> NoReturn:
    errors.print(str(failure), style="bold red", markup=False, highlight=False)
    raise SystemExit(1) from failure


def _ask_to_stop(_signal: int, _frame: FrameType | None) -> None:
    # Once is enough: a second Ctrl-C must not break into the stopping, which has bounds of its own.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    raise StopAsked


if __name__ == "__main__":
    main()
