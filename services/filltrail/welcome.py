"""What the demo prints when it is up: what lies where, and who can sign in with what."""

import datetime
import re
from collections.abc import Iterator, Mapping

from rich.console import RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from filltrail.layout import Layout
from filltrail.replay import month_from
from filltrail.story import Newcomer, Story

_MONTH = re.compile(r"\{month([+-]\d+)\}")


def welcome(
    layout: Layout,
    story: Story,
    *,
    today: datetime.date,
    device_codes: Mapping[str, str],
    process_ids: Mapping[str, int],
) -> Iterator[RenderableType]:
    """`today` is the day that the story counts from, `device_codes` by the shop's slug, `process_ids` by the program's name."""
    yield Panel(
        Text(
            "An invented network for trying things out. It is no permission to fill: your own judgement, the "
            "cylinder's own marks, local law and licensed practice come first.",
        ),
        title=layout.cast.network.name,
        title_align="left",
    )
    yield _where(layout, device_codes, process_ids)
    yield _who(layout)
    if story.newcomer is not None:
        yield _try_this(layout, story, story.newcomer, today)
    yield Text(
        "A browser becomes one of a shop's tablets once, with the code; then people sign in with their PIN.\n"
        "Codes last ten minutes: press Enter here, or run `filltrail demo-codes`, for new ones.\n"
        f"Each program's log is in {layout.logs}. Kill any of them (kill -9 PROCESS) and see the others go on.\n",
        style="dim",
    )


def codes_table(layout: Layout, device_codes: Mapping[str, str]) -> Table:
    """Where a browser takes each shop's code."""
    table = Table(title="Codes for a new tablet, good for ten minutes", title_justify="left")
    for heading in ("shop", "page", "code"):
        table.add_column(heading, no_wrap=True)
    for shop in layout.cast.shops:
        table.add_row(shop.name, layout.shop_url(shop.slug), device_codes[shop.slug])
    return table


def _try_this(layout: Layout, story: Story, newcomer: Newcomer, today: datetime.date) -> Panel:
    cylinder = next(one for one in story.cylinders if one.key == newcomer.cylinder)
    diver = next(one for one in layout.cast.divers if one.key == newcomer.diver)
    home, next_door = layout.cast.shop(newcomer.home), layout.cast.shop(newcomer.next_door)
    inspector = next(person for person in next_door.staff if person.role == "inspector")
    return Panel(
        Text(
            f"1  At {home.name}, greet {diver.name}: {cylinder.spec} cylinder {cylinder.serial}, maker {cylinder.maker}, "
            f"first test {_stamp(cylinder.first_test, today)}, no later stamp, looked inside "
            f"{_stamp(cylinder.looked_inside or '', today)}, rated {cylinder.rated}. Fill it and hand it over; the receipt is in the mail catcher.\n"
            f"2  At {next_door.name}, {inspector.name} finds {cylinder.serial} at the bench and condemns it.\n"
            f"3  At {home.name}, greet {diver.name} again with the same cylinder, and see it stopped."
        ),
        title="Try this",
        title_align="left",
    )


def _stamp(month: str, today: datetime.date) -> str:
    """A month of the story as it would be stamped: "{month-34}" in November 2026 is 01/2024."""
    found = _MONTH.fullmatch(month)
    year, _, number = (month_from(today, int(found[1])) if found else month).partition("-")
    return f"{number}/{year}"


def _where(layout: Layout, device_codes: Mapping[str, str], process_ids: Mapping[str, int]) -> Table:
    table = Table(title="Where", title_justify="left")
    table.add_column("what", no_wrap=True)
    table.add_column("page", no_wrap=True)
    table.add_column("code for a new tablet", no_wrap=True)
    table.add_column("process", justify="right")
    rows = [
        *((shop.name, layout.shop_url(shop.slug), device_codes[shop.slug]) for shop in layout.cast.shops),
        ("the network", f"{layout.hub_url}/office", ""),
        ("mail catcher", layout.mail_url, ""),
    ]
    for name, url, code in rows:
        process_id = process_ids.get(name)
        table.add_row(name, url, code, "" if process_id is None else str(process_id))
    return table


def _who(layout: Layout) -> Table:
    table = Table(title="Who signs in, and with what", title_justify="left")
    for heading in ("at", "who", "as", "with"):
        # Folded, never cut: half a password is of no use.
        table.add_column(heading, overflow="fold")
    for shop in layout.cast.shops:
        for number, person in enumerate(shop.staff):
            at = shop.name if number == 0 else ""
            table.add_row(at, person.name, person.role, f"PIN {person.pin}")
        table.add_section()
    officer = layout.cast.officer
    table.add_row("the network", officer.name, "safety officer", f"{officer.login} / {officer.password}")
    return table
