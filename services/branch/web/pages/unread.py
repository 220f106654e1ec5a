"""The serial cannot be read: the other marks, a photograph, and a tag of this shop. It is held, not filled."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.datastructures import UploadFile
from starlette.responses import Response

from branch.desk import Outcome
from branch.photos import LARGEST_BYTES, drop_photo, keep_photo
from branch.web.pages.asking import Form, Posted, Trouble, record, uuid_or_none
from branch.web.pages.render import go
from branch.web.pages.steps_frame import (
    LABELS,
    NOTHING,
    At,
    TheVisit,
    asked,
    month_in,
    not_recorded,
    page,
    stopped,
)
from branch.web.pages.steps_greet import spec_options
from cylinder import commands as c
from cylinder.recorded import derived_id
from cylinder.refusal import Refused

router = APIRouter(include_in_schema=False)
UNREAD_LABELS = {**LABELS, "unread": "what cannot be read", "photo_sha256": "photograph"}


async def photographed(request: Request) -> bytes:
    """The photograph that the form carries, and a little more where it is too large; empty where there is none."""
    form = await request.form()
    found = form.get("photo")
    content = await found.read(LARGEST_BYTES + 1) if isinstance(found, UploadFile) else b""
    await form.close()
    return content


@router.get("/visits/{visit_id}/unread")
def show_unread(at: TheVisit) -> Response:
    """What can be read, and a photograph of what cannot."""
    return stopped(at) or _page(at)


@router.post("/visits/{visit_id}/unread")
def tag_it(at: TheVisit, form: Form, content: Annotated[bytes, Depends(photographed)]) -> Response:
    """Put it on record under a tag, and hold it."""
    data = at.node.store.path.parent
    try:
        first_test = month_in(form, "first_test")
        kept, is_new = keep_photo(data, content)
    except Refused as refused:
        return not_recorded(at, Trouble(refused.reasons, 422), form, _page)
    outcome = record(at.node, at.session, lambda: _command(at, form, kept, first_test), UNREAD_LABELS)
    if isinstance(outcome, Outcome):
        made = at.looked_at_again().visit.cylinder_id
        return go(f"/cylinders/{made}/identity")  # The tag, and its label to print.
    if is_new:
        drop_photo(data, kept)  # No fact speaks of it, and refusals must not fill the disk.
    return not_recorded(at.looked_at_again(), outcome, form, _page)


def _command(at: At, form: Posted, photo_sha256: str, first_test: str) -> c.TagUnread:
    said = asked(
        at, form, maker=form.text("maker"), spec=form.text("spec"), first_test=first_test,
        unread=form.text("unread"), photo_sha256=photo_sha256,
    )  # fmt: skip
    key = uuid_or_none(form.text("key"))
    # Another photograph is another answer, as another word would be.
    return c.TagUnread.model_validate({**said, "key": derived_id(key, photo_sha256) if key else ""})


def _page(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    return page(at, "unread", trouble=trouble, kept=form, specs=spec_options(at.node.desk.rules))
