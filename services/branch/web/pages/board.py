"""The board: every cylinder on the floor and every whip, near on a tablet and far on a wall. Shows; decides nothing."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from branch import floor
from branch.node import Node
from branch.store import views as look
from branch.web.gate import DEVICE_COOKIE, MaybeSignedIn, SignInNeeded, TheNode
from branch.web.pages import recalls
from branch.web.pages.render import chips_piece, piece, render

router = APIRouter(include_in_schema=False)
STREAM = "/stream?board=1"


@router.get("/")
def show(request: Request, node: TheNode, session: MaybeSignedIn, far: int = 0) -> Response:
    """The board. The far view hangs on a wall where nobody signs in every five minutes: the tablet's own token is enough."""
    is_far = far == 1
    is_one_of_ours = node.people.device(request.cookies.get(DEVICE_COOKIE)) is not None
    if session is None and not (is_far and is_one_of_ours):
        raise SignInNeeded("/?far=1" if is_far else "/")
    return render(
        request, "board.html", back=None, stream=STREAM, session=session, board=view(node), is_far=is_far,
        called_back=0 if is_far else recalls.how_many(node),
    )  # fmt: skip


def view(node: Node) -> floor.Board:
    """The floor as it is now."""
    visits = node.desk.open_visits()
    with node.store.reading() as c:
        found = look.standings(c, (visit.cylinder_id for visit in visits if visit.cylinder_id))
    return floor.board(
        visits,
        {standing.cylinder_id: standing for standing in found},
        whips=node.settings.whips,
        slots=node.settings.slots,
    )


def pieces(node: Node, *, with_board: bool) -> dict[str, str]:
    """What an open page shows of the present, by the element that shows it."""
    made = {"mast-chips": chips_piece(node)}
    if with_board:
        board = view(node)
        made |= {
            "whips": piece("board_whips.html", board=board),
            "floor": piece("board_floor.html", board=board),
            "whips-count": board.whip_words,
            "floor-count": f"Floor: {board.floor_words}",
        }
    return made
