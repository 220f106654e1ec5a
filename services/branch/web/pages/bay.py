"""The fill area: everybody is out, or somebody came in. The same answer counts for every whip."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from branch.desk import Outcome
from branch.store import views as look
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.asking import Form, Trouble, record
from branch.web.pages.render import go, render
from cylinder import commands as c

router = APIRouter(include_in_schema=False)


@router.get("/people-out")
def show(request: Request, node: TheNode, session: SignedIn) -> Response:
    """When the area was last cleared, and the two things that may be said of it."""
    return _page(request, node, session)


@router.post("/people-out")
def say(request: Request, node: TheNode, session: SignedIn, form: Form) -> Response:
    """Record which of the two it is."""
    asked = {"key": form.text("key")}
    if form.text("people") == "in":
        done = record(node, session, lambda: c.SayDoorOpened.model_validate(asked))
    else:
        done = record(node, session, lambda: c.SendPeopleOut.model_validate(asked))
    if isinstance(done, Outcome):
        return go("/")
    return _page(request, node, session, done)


def _page(request: Request, node: TheNode, session: SignedIn, trouble: Trouble | None = None) -> Response:
    with node.store.reading() as cursor:
        out_at = look.people_out_at(cursor, node.settings.node)
    filling = [visit for visit in node.desk.open_visits() if visit.is_filling]
    return render(
        request, "people_out.html", title="The fill area", session=session, out_at=out_at, filling=filling,
        lasts_min=node.settings.policy.people_out_min, trouble=trouble, status=trouble.status if trouble else 200,
    )  # fmt: skip
