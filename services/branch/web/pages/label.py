"""The contents label of a filled cylinder: a picture of it, and the two files to print. Printing is no record: see `branch.label`."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from branch.label import Label, cylinder_of_code, file_name, label_of
from branch.web.gate import SignedIn
from branch.web.pages.render import go
from branch.web.pages.steps_frame import At, TheVisit, page, stopped
from cylinder.refusal import Reason, Refused

router = APIRouter(include_in_schema=False)


@router.get("/visits/{visit_id}/label")
def show_label(at: TheVisit) -> Response:
    """What it will look like, in its size on paper, and why there is none where there is none."""
    held = stopped(at)
    if held is not None:
        return held
    try:
        label = _label(at)
    except Refused as refused:
        return page(at, "label", why_none=refused.reasons, label=None)
    return page(at, "label", label=label, why_none=())


@router.get("/visits/{visit_id}/label.png")
def label_png(at: TheVisit) -> Response:
    """For a label printer: one bit a dot, 300 dpi. Raises Refused where there is no label."""
    # Imported here: Pillow and the fonts take a while, and a counter that prints nothing needs none.
    from branch.label_png import png

    return _file(at, png(_label(at)), "png", "image/png")


@router.get("/visits/{visit_id}/label.pdf")
def label_pdf(at: TheVisit) -> Response:
    """For any printer: one page of 62 × 40 mm. Raises Refused where there is no label."""
    # Imported here for the same reason.
    from branch.label_pdf import pdf

    made_at = at.visit.analysed_at or at.visit.completed_at or at.around.now
    return _file(at, pdf(_label(at), made_at), "pdf", "application/pdf")


@router.get("/c/{code}")
def scanned(code: str, session: SignedIn) -> Response:
    """The short address on a label leads to the cylinder's page."""
    found = cylinder_of_code(code)
    if found is None:
        raise Refused([Reason("label.code", "This code is of no label of ours. Key the serial.", "input")])
    return go(f"/cylinders/{found}")


def _label(at: At) -> Label:
    if stopped(at) is not None:
        raise Refused([Reason("label.stopped", f"Tag {at.visit.tag} is stopped or on hold: no label.")])
    settings = at.node.settings
    return label_of(
        at.visit,
        analyst=at.staff.get(at.visit.analysed_by, ""),
        shop=settings.name,
        tz=settings.tz,
        address=settings.label_address,
    )


def _file(at: At, content: bytes, ending: str, media_type: str) -> Response:
    made_at = at.visit.analysed_at or at.visit.completed_at or at.around.now
    name = file_name(at.visit, made_at.astimezone(at.node.settings.tz).date())
    return Response(
        content, media_type=media_type, headers={"content-disposition": f'inline; filename="{name}.{ending}"'}
    )
