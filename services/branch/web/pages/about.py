"""What the shop goes by: the rules in force with their sources, and how it stands to the network. Reads; changes nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from branch import witness
from branch.gap import open_gaps
from branch.link import news_heard_at, why_in_doubt
from branch.store import views as look
from branch.store.rows import node_row, unfolded
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.render import epoch_ms, names_of, render
from rulebook import StorePolicy, lines_of

router = APIRouter(include_in_schema=False)

_NO_SHOP = frozenset({"receipts"})
"""Nodes that only read the log; like the hub they have a key and a name, but no counter. A shop keeps no node's role."""


@router.get("/rules")
def rules(request: Request, node: TheNode, session: SignedIn) -> Response:
    """The pack, line by line."""
    return render(
        request,
        "rules.html",
        title="Rules in force",
        session=session,
        pack=node.desk.rules,
        lines=lines_of(node.desk.rules),
        policy=node.desk.policy,
        house=house_lines(node.desk.policy.store),
        permits=node.permits,
    )


@dataclass(frozen=True, slots=True)
class HouseLine:
    """One tightening of this shop, beside the line of the pack that it tightens; empty where it stands alone."""

    words: str
    beside: str


def house_lines(store: StorePolicy) -> tuple[HouseLine, ...]:
    """What the shop's own paper asks for beyond the pack."""
    return tuple(_house_lines(store))


def _house_lines(store: StorePolicy) -> Iterator[HouseLine]:
    if store.requalify_every_months is not None:
        words = f"Every cylinder is requalified every {store.requalify_every_months} months."
        yield HouseLine(words, "requalification.overdue")
    if store.look_inside_every_months is not None:
        words = f"Every cylinder is looked into every {store.look_inside_every_months} months."
        yield HouseLine(words, "visual.overdue")
    if store.oxygen_clean_above_percent is not None:
        words = f"Above {store.oxygen_clean_above_percent:g} % oxygen a cylinder is cleaned for oxygen."
        yield HouseLine(words, "oxygen.cleaned")
    if store.highest_oxygen_percent is not None:
        yield HouseLine(f"No more than {store.highest_oxygen_percent:g} % oxygen is filled.", "")
    if store.refuses_plus:
        yield HouseLine("Nothing is filled to the plus.", "fill.plus")
    if store.refuses_alloy_6351:
        yield HouseLine("Alloy 6351-T6 is not filled.", "alloy.eddy_current")
    for spec in store.refused_specs:
        yield HouseLine(f"A {spec} is not filled.", spec)


@router.get("/network")
def network(request: Request, node: TheNode, session: SignedIn) -> Response:
    """Ages, not lamps: when the hub was last heard, what is not sent yet, how far the feed was read."""
    with node.store.reading() as cursor:
        row, backlog = node_row(cursor), look.backlog(cursor)
        # In the middle of a long feed there is nothing to compare yet, and all of it would be folded for this page.
        digest = "not yet: records are being read" if unfolded(cursor, 1) else look.standing_digest(cursor)
        known, caught = names_of(node, cursor).shops, witness.trouble(cursor)
        gaps = () if row is None else open_gaps(cursor, node.settings.node, row.inc)
    assert row is not None  # A node that serves has a log.
    link = node.sync.link
    heard = news_heard_at(row, link)
    return render(
        request, "network.html", title="Network", session=session, row=row, backlog=backlog, digest=digest, link=link,
        heard_ms=None if heard is None else epoch_ms(heard), policy=node.settings.policy,
        oldest_ms=None if backlog.oldest_at is None else epoch_ms(backlog.oldest_at),
        shops=sorted(name for slug, name in known.items() if slug not in _NO_SHOP | {node.settings.hub_node}),
        trouble_words=caught or row.trouble or link.trouble, doubt=why_in_doubt(row, link), gaps=gaps,
    )  # fmt: skip
