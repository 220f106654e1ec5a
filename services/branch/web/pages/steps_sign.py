"""The diver reads the analysis and signs for it. What they write stays in this shop; the page shows the figures and no advice to dive."""

from __future__ import annotations

from fastapi import APIRouter
from pydantic import ValidationError
from starlette.responses import Response

from branch.desk import Outcome
from branch.signatures import Signing, sign_for
from branch.web.pages.asking import Form, Posted, Trouble, misread
from branch.web.pages.render import go
from branch.web.pages.steps_frame import LABELS, NOTHING, At, TheVisit, not_recorded, page, stopped
from cylinder import commands as c
from cylinder.contents import contents_of
from cylinder.refusal import Reason, Refused

router = APIRouter()


@router.get("/sign")
def read_and_sign(at: TheVisit) -> Response:
    """What was measured, as large as the diver needs it, and a field to write in."""
    return stopped(at) or show_sign(at)


def show_sign(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The figures; where there is nothing to sign, back to the visit."""
    visit = at.visit
    contents = contents_of(visit.analysed)
    if visit.gas.is_air or contents is None or visit.analysed is None or visit.signed is not None:
        return go(at.here)
    return page(
        at,
        "sign",
        trouble=trouble,
        kept=form,
        contents=contents,
        analysed=visit.analysed,
        end=visit.completed.end if visit.completed else None,
        rated=visit.rating.rated if visit.rating else None,
        analyst=at.who(visit.analysed_by),
    )


@router.post("/sign")
def signed(at: TheVisit, form: Form) -> Response:
    """Keep what was written, record that it was."""
    made = _record(at, form)
    if isinstance(made, Outcome):
        return go(at.here)
    return not_recorded(at.looked_at_again(), made, form, show_sign)


def _record(at: At, form: Posted) -> Outcome | Trouble:
    is_drawn = form.has("stroke")
    try:
        # The same judgement of the fields as everywhere; the hash is of what is kept, and is worked out there.
        said = c.SignContents.model_validate(
            {
                "key": form.text("key"),
                "visit_id": at.visit.id,
                "version": form.maybe("version"),
                "oxygen_percent": form.text("oxygen"),
                "helium_percent": form.text("helium"),
                "how": "drawn" if is_drawn else "initials",
                "mark_sha256": "0" * 64,
            }
        )
        signing = Signing(
            said.key, said.visit_id, said.version, said.oxygen_percent, said.helium_percent, said.how,
            form.text("stroke") if is_drawn else form.text("initials"),
        )  # fmt: skip
        if not form.has("read"):
            raise Refused(
                [Reason("sign.read", "The diver ticks that they read the figures themselves.", "input")]
            )
        return sign_for(at.node.desk, at.node.signatures, at.session.person.actor, signing)
    except ValidationError as wrong:
        return Trouble(misread(wrong, LABELS), 422)
    except Refused as refused:
        return Trouble(refused.reasons)
