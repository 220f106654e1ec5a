"""For managers: what this shop's log lacks after a restore or a loss, in their words, and where to enter what is on paper."""

from __future__ import annotations

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import Response

from branch import gap as holes
from branch.gap import Gap
from branch.link import why_in_doubt
from branch.node import Node
from branch.people import Session
from branch.store.rows import node_row
from branch.web.gate import TheNode
from branch.web.pages.asking import Form, Posted, Trouble, misread, uuid_or_none
from branch.web.pages.render import go, render
from branch.web.pages.staff import Manager
from cylinder.refusal import Reason

router = APIRouter(include_in_schema=False)


@router.get("/gap")
def show(request: Request, node: TheNode, session: Manager) -> Response:
    """Each hole that nobody has stated yet."""
    return _page(request, node, session)


@router.post("/gap")
def state(request: Request, node: TheNode, session: Manager, form: Form) -> Response:
    """The manager's word, as a fact. The same tap twice is one statement."""
    key, inc = uuid_or_none(form.text("key")), uuid_or_none(form.text("inc"))
    try:
        with node.store.writing() as tx:
            here = tx.node()
            if key is not None and tx.known(key):
                return go("/gap")
            found = next(
                (one for one in holes.open_gaps(tx.c, here_node(node), here.inc) if one.inc == inc), None
            )
            reasons = _reasons(found, here.relearning)
            if key is None or found is None or reasons:
                return _page(request, node, session, trouble=Trouble(tuple(reasons)), kept=form)
            holes.state(
                tx, found, form.text("words"), node=here_node(node), key=key, actor=session.person.actor.id,
                now=node.floor.now(), today=node.desk.today(),
            )  # fmt: skip
    except ValidationError as wrong:
        trouble = Trouble(misread(wrong, {"words": "What is missing"}), 422)
        return _page(request, node, session, trouble=trouble, kept=form)
    node.sync.wake_push()
    return go("/gap")


def here_node(node: Node) -> str:
    """This shop's name in the log."""
    return node.settings.node


def _reasons(found: Gap | None, relearning: str) -> list[Reason]:
    reasons = []
    if found is None:
        reasons.append(Reason("gap.none", "Nothing is missing that nobody has stated yet.", "input"))
    if relearning:
        reasons.append(
            Reason(
                "gap.relearning",
                "First this node must read the network's records to the end: only then is it known what is missing.",
            )
        )
    return reasons


def _page(
    request: Request,
    node: Node,
    session: Session,
    *,
    trouble: Trouble | None = None,
    kept: Posted | None = None,
) -> Response:
    with node.store.reading() as c:
        here = node_row(c)
        found = () if here is None else holes.open_gaps(c, here_node(node), here.inc)
    return render(
        request, "gap.html", title="What is missing", session=session, status=trouble.status if trouble else 200,
        gaps=found, doubt="" if here is None else why_in_doubt(here, node.sync.link),
        is_relearning=here is not None and here.relearning != "", trouble=trouble, kept=kept or Posted(),
    )  # fmt: skip
