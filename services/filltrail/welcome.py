"""What the demo prints when it is up: who can sign in where, and what to try first."""

from collections.abc import Iterator, Mapping

from rich.console import RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from filltrail.layout import Layout


def welcome(layout: Layout, device_codes: Mapping[str, str]) -> Iterator[RenderableType]:
    yield Panel(
        Text(
            "An invented network for trying things out. It is no permission to fill: your own judgement, the "
            "cylinder's own marks, local law and licensed practice come first.",
        ),
        title=layout.cast.network.name,
        title_align="left",
    )
    yield _shops(layout, device_codes)
    yield _others(layout)


def _shops(layout: Layout, device_codes: Mapping[str, str]) -> Table:
    table = Table(title="The shops", title_justify="left", show_lines=True)
    for heading in ("shop", "page", "new device", "who", "role", "PIN"):
        table.add_column(heading, no_wrap=heading in ("page", "new device", "PIN"))
    for shop in layout.cast.shops:
        table.add_row(
            f"{shop.name}\n({shop.unit})",
            layout.shop_url(shop.slug),
            device_codes[shop.slug],
            "\n".join(person.name for person in shop.staff),
            "\n".join(person.role for person in shop.staff),
            "\n".join(person.pin for person in shop.staff),
        )
    table.caption = (
        "A browser becomes one of the shop's tablets once, with the code; then people sign in with their PIN."
    )
    table.caption_justify = "left"
    return table


def _others(layout: Layout) -> Table:
    officer = layout.cast.officer
    table = Table(title="The network", title_justify="left", show_lines=True)
    for heading in ("what", "page", "how to get in"):
        table.add_column(heading)
    table.add_row(
        "Safety officer",
        layout.hub_url,
        f"{officer.name}: login {officer.login}, password {officer.password}",
    )
    table.add_row("Caught mail", layout.mail_url, "open to everybody on this machine; nothing is sent on")
    table.add_row("Logs", str(layout.logs), "one file per program")
    return table
