"""Greeting a diver: who it is, what they are certified for, which cylinders, with which tag and gas.

The only page that asks the hub's vault, for two seconds at most; without it the cards of this shop are searched.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.concurrency import run_in_threadpool
from starlette.responses import Response

from branch.cards import card_of
from branch.desk import Outcome
from branch.node import Node
from branch.people import Session
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.asking import Form, Posted, Trouble, record
from branch.web.pages.render import go, render
from cylinder import commands as c
from cylinder.refusal import Reason
from eventlog.hub_client import HubRefused, HubUnreachable
from eventlog.wire import DiverCard

router = APIRouter(include_in_schema=False)
VAULT_S = 2.0
MOST_CYLINDERS = 20
GASES = (
    ("air", "Air"),
    ("32", "Nitrox 32"),
    ("36", "Nitrox 36"),
    ("nitrox", "Nitrox, other"),
    ("trimix", "Trimix"),
)
LEVELS = (
    ("", "Choose"),
    *(
        (level, level)
        for level in ("Open water", "Advanced", "Rescue", "Divemaster", "Instructor", "Technical")
    ),
    ("other", "Another, in the words below"),
)
"""Offered to save keys; none is chosen beforehand."""


@dataclass(frozen=True)
class Found:
    """What a search for a diver gave; `is_local` when the vault could not be asked."""

    cards: tuple[DiverCard, ...] = ()
    is_local: bool = False


@router.get("/greet")
async def show(
    request: Request,
    node: TheNode,
    session: SignedIn,
    q: Annotated[str, Query(max_length=80)] = "",
    diver: str = "",
) -> Response:
    """Find the diver; once found, see the certification and take the cylinders in."""
    if diver:
        card = await _card(node, diver[:64])
        if card is not None:
            return await run_in_threadpool(_take_in, request, node, session, card)
    found = await _search(node, q.strip()) if q.strip() else Found(is_local=node.sync.link.state != "live")
    return await run_in_threadpool(_find, request, node, session, q.strip(), found)


@router.post("/greet/diver")
def new_diver(request: Request, node: TheNode, session: SignedIn, form: Form) -> Response:
    """Keep a new diver's card here, and hand it to the vault when the line is up."""
    card = card_of(
        form.text("diver_ref"), name=form.text("name"), email=form.text("email"), phone=form.text("phone")
    )
    if isinstance(card, DiverCard) and not form.has("consent"):
        card = (Reason("card.consent", "Ask the diver, and tick that they agree.", "input"),)
    if not isinstance(card, DiverCard):
        return _find(request, node, session, "", Found(), trouble=Trouble(card, 422), kept=form)
    node.divers.keep(card)
    node.sync.wake_push()
    return go(f"/greet?diver={card.diver_ref}")


@router.post("/greet")
def greet(request: Request, node: TheNode, session: SignedIn, form: Form) -> Response:
    """Take the cylinders in; the first one is looked over at once. One more or one less row keeps what was keyed."""
    card = node.divers.card(form.text("diver_ref"))
    if card is None:
        reason = Reason("greet.diver", "Choose the diver first.", "input")
        return _find(request, node, session, "", Found(), trouble=Trouble((reason,), 422), kept=form)
    if form.has("rows_to"):
        return _take_in(request, node, session, card, kept=form)
    done = record(
        node, session, lambda: c.Greet.model_validate(_asked(form)),
        {"level": "certification", "tag": "tag", "oxygen_percent": "oxygen", "helium_percent": "helium",
         "cylinders": "cylinders"},
    )  # fmt: skip
    if isinstance(done, Outcome):
        return go(f"/visits/{done.visit_ids[0]}")
    return _take_in(request, node, session, card, trouble=done, kept=form)


def free_tags(node: Node) -> tuple[int, ...]:
    """Tags that hang on no cylinder here, lowest first."""
    hanging = {visit.tag for visit in node.desk.open_visits()}
    return tuple(tag for tag in range(1, 100) if tag not in hanging)


async def _search(node: Node, words: str) -> Found:
    here = await run_in_threadpool(node.divers.find, words)
    if node.sync.link.state != "live":
        return Found(here, is_local=True)
    try:
        vault = await asyncio.wait_for(node.sync.client.find_divers(words), VAULT_S)
    except (HubUnreachable, HubRefused, TimeoutError):
        return Found(here, is_local=True)
    known = {card.diver_ref for card in here}
    return Found((*here, *(card for card in vault if card.diver_ref not in known)))


async def _card(node: Node, diver_ref: str) -> DiverCard | None:
    """The card here, or the vault's, which is kept from then on."""
    here = await run_in_threadpool(node.divers.card, diver_ref)
    if (
        here is not None
        or node.sync.link.state != "live"
        or not diver_ref.replace("-", "").replace("_", "").isalnum()
    ):
        return here
    try:
        card = await asyncio.wait_for(node.sync.client.diver(diver_ref), VAULT_S)
    except (HubUnreachable, HubRefused, TimeoutError):
        return None
    if card is not None:
        await run_in_threadpool(lambda: node.divers.keep(card, is_sent=True))
    return card


def _find(
    request: Request, node: Node, session: Session, q: str, found: Found, *, trouble: Trouble | None = None,
    kept: Posted | None = None,
) -> Response:  # fmt: skip
    kept = kept or Posted((("name", q),))
    return render(
        request, "greet_find.html", title="Greet a diver", status=trouble.status if trouble else 200, session=session,
        q=q, found=found, trouble=trouble, kept=kept, diver_ref=kept.text("diver_ref") or node.world.new_token(),
    )  # fmt: skip


def _take_in(
    request: Request, node: Node, session: Session, card: DiverCard, *, trouble: Trouble | None = None,
    kept: Posted | None = None,
) -> Response:  # fmt: skip
    kept = kept or Posted()
    rows = _rows(node, kept)
    return render(
        request, "greet_take_in.html", title=f"Greet {card.name}", status=trouble.status if trouble else 200,
        session=session, card=card, trouble=trouble, kept=kept, rows=rows, gases=GASES, levels=LEVELS,
        tags_hanging=99 - len(free_tags(node)), most=MOST_CYLINDERS,
    )  # fmt: skip


@dataclass(frozen=True)
class Row:
    """One cylinder as keyed so far."""

    tag: str
    gas: str = "air"
    oxygen: str = ""
    helium: str = ""


def _rows(node: Node, kept: Posted) -> tuple[Row, ...]:
    """What was keyed, with as many rows as were asked for; a new row proposes the next free tag and the last gas."""
    rows = list(_keyed(kept))
    count = int(kept.text("rows_to")) if kept.text("rows_to").isdecimal() else len(rows)
    taken = {row.tag for row in rows}
    proposed = [str(tag) for tag in free_tags(node) if str(tag) not in taken]
    while len(rows) < min(MOST_CYLINDERS, max(1, count)) and proposed:
        last = rows[-1] if rows else Row("")
        rows.append(Row(proposed.pop(0), last.gas, last.oxygen, last.helium))
    return tuple(rows[: max(1, count)])


def _keyed(form: Posted) -> tuple[Row, ...]:
    columns = (form.all("tag"), form.all("gas"), form.all("oxygen"), form.all("helium"))
    return tuple(Row(*cells) for cells in zip(*columns, strict=False))


def _asked(form: Posted) -> dict[str, object]:
    return {
        "key": form.text("key"),
        "diver_ref": form.text("diver_ref"),
        "level": form.text("level_other") or form.text("level").removesuffix("other"),
        "covers_nitrox": form.has("covers_nitrox"),
        "covers_trimix": form.has("covers_trimix"),
        "cylinders": [{"tag": row.tag, "gas": _gas(row)} for row in _keyed(form)],
    }


def _gas(row: Row) -> dict[str, str]:
    match row.gas:
        case "air":
            return {}
        case "nitrox":
            return {"oxygen_percent": row.oxygen}
        case "trimix":
            return {"oxygen_percent": row.oxygen, "helium_percent": row.helium}
        case percent:
            return {"oxygen_percent": percent}
