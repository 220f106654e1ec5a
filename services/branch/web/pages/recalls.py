"""Which of this shop's fills a later finding calls into question, and whom to ring. Shows; decides nothing."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from branch.node import Node
from branch.recalls import MOST_SHOWN, Recall, recalls
from branch.store import views as look
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.render import render
from eventlog.wire import DiverCard

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class Task:
    """One fill to follow up, with the diver's card while this shop holds it."""

    recall: Recall
    diver: DiverCard | None


@router.get("/recalls")
def show(request: Request, node: TheNode, session: SignedIn) -> Response:
    """Every one, the latest fill first."""
    with node.store.reading() as c:
        found = recalls(c, node.settings.node)
        shops, _ = look.names(c)
    tasks = tuple(Task(one, node.divers.card(one.diver_ref)) for one in found[:MOST_SHOWN])
    return render(
        request,
        "recalls.html",
        title="Called back",
        session=session,
        tasks=tasks,
        in_all=len(found),
        shops=shops,
    )


def how_many(node: Node) -> int:
    """How many fills are called back by now."""
    with node.store.reading() as c:
        return len(recalls(c, node.settings.node))
