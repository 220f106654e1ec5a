"""The frame of every page: the mast with its ages, the clock, the templates. Shows; never decides, never writes."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse

import signage
from branch import witness
from branch.against import Names
from branch.link import news_heard_at, why_in_doubt
from branch.node import Node
from branch.store import views as look
from branch.store.rows import Cursor, node_row
from branch.web.gate import maybe_session, node_of
from branch.web.pages import words
from signage import Chip, Link, Mast

TEMPLATES = Path(__file__).parent.parent / "templates"
BOARD = Link("/", "Board")

_pages = signage.environment([TEMPLATES])
_pages.globals.update(
    day=words.day, month=words.month, moment=words.moment, clock=words.clock, both=words.both
)


def render(
    request: Request,
    template: str,
    *,
    title: str = "",
    back: Link | None = BOARD,
    stream: str = "/stream",
    status: int = 200,
    **context: object,
) -> HTMLResponse:
    """A page. `title` is the mast's (the shop's name when empty); `stream` its live feed, "" for none.

    Every template has `mast`, `shop` (the settings), `session` (or None), `new_key` (a fresh key for a form),
    `tz`, and the words of `pages.words`: `day`, `month`, `moment`, `clock`, `both`.
    """
    node = node_of(request)
    now = node.floor.now()
    session = context.pop("session", None) or maybe_session(request)
    mast = Mast(
        title=title or node.settings.name,
        clock=words.clock(now, node.settings.tz),
        now_ms=epoch_ms(now),
        back=back,
        chips=chips(node, now),
        stream=stream,
        practice=node.world.is_practice,
    )
    html = _pages.get_template(template).render(
        mast=mast,
        shop=node.settings,
        session=session,
        new_key=node.world.new_id,
        tz=node.settings.tz,
        **context,
    )
    return HTMLResponse(html, status)


def chips_piece(node: Node) -> str:
    """The ages in the mast, for the live feed."""
    now = node.floor.now()
    mast = Mast("", words.clock(now, node.settings.tz), epoch_ms(now), chips=chips(node, now))
    return piece("mast_chips.html", mast=mast)


def piece(template: str, **context: object) -> str:
    """A part of a page, for the live feed."""
    return _pages.get_template(template).render(**context)


def go(to: str) -> RedirectResponse:
    """The answer to a form that was recorded: look at the next page."""
    return RedirectResponse(to, 303)


def names_of(node: Node, cursor: Cursor) -> Names:
    """What shops and staff are called here; this shop by the name over its door."""
    shops, staff = look.names(cursor)
    return Names({**shops, node.settings.node: node.settings.name}, staff)


def chips(node: Node, now: dt.datetime) -> tuple[Chip, ...]:
    """How long ago people were sent out, and how old this shop's news of the network is."""
    with node.store.reading() as c:
        out_at, row = look.people_out_at(c, node.settings.node), node_row(c)
        caught = witness.trouble(c)
    heard = news_heard_at(row, node.sync.link)
    doubt = why_in_doubt(row, node.sync.link) if row else ""
    policy = node.settings.policy
    if out_at is None:
        people = Chip("users", "People out", "not said")
    else:
        people = Chip("users", "People out", since_ms=epoch_ms(out_at), limit_s=policy.people_out_min * 60)
    if doubt:
        return people, Chip("cloud-off", "Network", "in doubt: do not fill", kind="hold")
    if heard is None:
        return people, Chip("cloud-off", "Network", "never heard", kind="hold")
    if caught:
        return people, Chip("cloud-off", "Network", "log not what it was", kind="hold")
    if row is not None and row.trouble:
        # Until a person has looked, what is found here reaches no other shop, however well the line is.
        return people, Chip("cloud-off", "Network", "not sending", kind="hold")
    is_cut = node.sync.link.state == "cut"
    news = Chip(
        "cloud-off" if is_cut else "cloud",
        "Network cut, news" if is_cut else "Network",
        since_ms=epoch_ms(heard),
        limit_s=policy.news_amber_h * 3600,
    )
    return people, news


def epoch_ms(at: dt.datetime) -> int:
    """Milliseconds since 1970, as the script counts ages."""
    return int(at.timestamp() * 1000)
