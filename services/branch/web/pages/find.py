"""Finding a cylinder by its serial, near readings included, and the whole life of one cylinder across shops."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from branch import against
from branch.against import Names
from branch.desk import Outcome
from branch.history import line
from branch.node import Node
from branch.people import Session
from branch.store import views as look
from branch.store.rows import history, standing_row
from branch.web.gate import SignedIn, TheNode
from branch.web.pages import errors, words
from branch.web.pages.asking import Form, Posted, Trouble, record
from branch.web.pages.render import go, names_of, render
from cylinder import commands as c
from cylinder.recorded import cylinder_subject
from cylinder.standing import Standing
from cylinder.visit import Visit
from signage import Link

router = APIRouter(include_in_schema=False)
MOST_LINES = 200


@router.get("/find")
def find(
    request: Request, node: TheNode, session: SignedIn, serial: Annotated[str, Query(max_length=32)] = ""
) -> Response:
    """Nearest first, blocked before clear; each with the reason why it is near and what stands against it."""
    serial = serial.strip()
    with node.store.reading() as cursor:
        found = look.near_serial(cursor, serial) if serial else ()
        names = names_of(node, cursor)
    rows = [(one, *standing_words(one.standing, names)) for one in found]
    return render(request, "find.html", title="Find a cylinder", session=session, serial=serial, rows=rows)


@router.get("/cylinders/{cylinder_id}")
def cylinder(request: Request, cylinder_id: UUID, node: TheNode, session: SignedIn) -> Response:
    """Marks, standing and why, history, and a hold for whoever has seen something."""
    return _page(request, node, session, cylinder_id)


@router.post("/cylinders/{cylinder_id}/hold")
def place_hold(request: Request, cylinder_id: UUID, node: TheNode, session: SignedIn, form: Form) -> Response:
    """Put it on hold, in every shop. An inspector answers it."""
    asked = {"key": form.text("key"), "cylinder_id": cylinder_id, "reason": form.text("reason")}
    done = record(node, session, lambda: c.PlaceHold.model_validate(asked), {"reason": "why"})
    if isinstance(done, Outcome):
        return go(f"/cylinders/{cylinder_id}")
    return _page(request, node, session, cylinder_id, trouble=done, kept=form)


def standing_words(standing: Standing, names: Names) -> tuple[str, str, str]:
    """The standing as a shape's kind, one or two words, and why."""
    if standing.is_clear:
        return "", "Nothing against it", ""
    worst = standing.blocks[0]
    kind = "hold" if standing.is_only_held else "stop"
    return (
        kind,
        "Hold" if kind == "hold" else worst.words,
        f"{worst.reason}. {against.who_where_when(worst, names)}",
    )


def _page(
    request: Request, node: Node, session: Session, cylinder_id: UUID, *, trouble: Trouble | None = None,
    kept: Posted | None = None,
) -> Response:  # fmt: skip
    with node.store.reading() as cursor:
        standing = standing_row(cursor, cylinder_id)
        names = names_of(node, cursor)
        records = history(cursor, cylinder_subject(cylinder_id), MOST_LINES)
    if standing is None:
        return errors.not_found(request, "No shop has recorded this cylinder. That is not a clearance.")
    visit = next((one for one in node.desk.open_visits() if one.cylinder_id == cylinder_id), None)
    is_veiled = _is_unread(visit)
    rows = [
        (
            words.moment(one.at, node.settings.tz),
            names.shop(one.node),
            names.person(one.actor),
            line(one, is_veiled=is_veiled),
        )
        for one in records
    ]
    lines = [
        pair for block in standing.blocks for pair in against.block_lines(block, names, node.settings.tz)
    ]
    kind, word, _ = standing_words(standing, names)
    return render(
        request, "cylinder.html", title="A cylinder's life", back=Link("/find", "Find"), session=session,
        status=trouble.status if trouble else 200, standing=standing, kind=kind, word=word, lines=lines, rows=rows,
        visit=visit, is_veiled=is_veiled, trouble=trouble, kept=kept or Posted(), most=MOST_LINES,
        lift=against.lift_words(standing.blocks) if kind == "stop" else "",
    )  # fmt: skip


def _is_unread(visit: Visit | None) -> bool:
    """It stands on the floor and its rating has not been read yet: then nobody is told what is on record."""
    return visit is not None and visit.rating is None
