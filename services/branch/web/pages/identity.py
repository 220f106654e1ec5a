"""Which cylinder a record is: its tag and label, its serial once it can be read, and the blocks that a split carried."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from branch import against
from branch.against import Names
from branch.desk import Outcome
from branch.node import Node
from branch.people import Session
from branch.photos import kind_of, photo
from branch.store import views as look
from branch.store.rows import history, standing_row
from branch.tag_label import tag_label
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.asking import Form, Posted, Trouble, record
from branch.web.pages.render import go, names_of, render
from branch.web.pages.steps_frame import NOTHING
from cylinder import commands as c
from cylinder.block import block_of
from cylinder.decide.gates import inspector_reasons
from cylinder.facts import CylinderTagged
from cylinder.marks import Marks
from cylinder.recorded import Recorded, cylinder_subject
from cylinder.refusal import Reason, Refused
from cylinder.standing import Block, Standing
from cylinder.tags import serial_among, tag_among
from signage import Link

router = APIRouter(include_in_schema=False)
MOST_LINES = 200
LABELS = {
    "serial": "serial",
    "second_serial": "second reading",
    "finding": "what you found",
    "last_four": "last four of the serial",
}


@dataclass(frozen=True)
class Record:
    """One record as this page looks at it."""

    request: Request
    node: Node
    session: Session
    standing: Standing
    names: Names
    tagged: Recorded | None
    carried: tuple[Block, ...]

    @property
    def here(self) -> str:
        """The address of this page."""
        return f"/cylinders/{self.standing.cylinder_id}/identity"

    @property
    def tag(self) -> Marks | None:
        """Its marks under a shop's tag, if it has one."""
        return tag_among(self.standing.marks)

    @property
    def photo_sha256(self) -> str:
        """The hash of its photograph, if one was taken."""
        said = None if self.tagged is None else self.tagged.fact
        return said.photo_sha256 if isinstance(said, CylinderTagged) else ""


def the_record(cylinder_id: UUID, request: Request, node: TheNode, session: SignedIn) -> Record:
    """The record of the address. Raises Refused when this shop has heard of none."""
    with node.store.reading() as cursor:
        standing = standing_row(cursor, cylinder_id)
        if standing is None:
            raise Refused([Reason("identity.unknown", "No shop has recorded this cylinder.")])
        records = history(cursor, cylinder_subject(cylinder_id), MOST_LINES)
        carried = look.basis_of(cursor, cylinder_id).carried_to(cylinder_id)
        names = names_of(node, cursor)
    tagged = next((one for one in records if isinstance(one.fact, CylinderTagged)), None)
    blocks = tuple(block_of(one, (cylinder_id,)) for one in carried)
    return Record(request, node, session, standing, names, tagged, blocks)


TheRecord = Annotated[Record, Depends(the_record)]


@router.get("/cylinders/{cylinder_id}/identity")
def show(at: TheRecord) -> Response:
    """Tag, photograph and label; for an inspector, the serial and the blocks that belong to one of two."""
    return _page(at)


@router.post("/cylinders/{cylinder_id}/identity/serial")
def read_serial(at: TheRecord, form: Form) -> Response:
    """The serial can be read now."""
    asked = {name: form.text(name) for name in ("key", "serial", "second_serial")}
    said = {**asked, "cylinder_id": at.standing.cylinder_id}
    return _recorded(at, form, record(at.node, at.session, lambda: c.ReadTagged.model_validate(said), LABELS))


@router.post("/cylinders/{cylinder_id}/identity/block")
def assign(at: TheRecord, form: Form) -> Response:
    """This block belongs to this cylinder."""
    asked = {name: form.text(name) for name in ("key", "block_id", "finding", "last_four")}
    said = {**asked, "cylinder_id": at.standing.cylinder_id}
    return _recorded(
        at, form, record(at.node, at.session, lambda: c.AssignBlock.model_validate(said), LABELS)
    )


@router.get("/cylinders/{cylinder_id}/photo")
def show_photo(at: TheRecord) -> Response:
    """The photograph, to staff of the shop that took it."""
    content = photo(at.node.store.path.parent, at.photo_sha256)
    kind = None if content is None else kind_of(content)
    if content is None or kind is None:
        raise Refused(
            [
                Reason(
                    "photo.elsewhere", "This shop has no photograph of it. The shop that tagged it keeps it."
                )
            ]
        )
    headers = {"cache-control": "private, no-store", "x-content-type-options": "nosniff"}
    return Response(content, media_type=kind, headers=headers)


@router.get("/cylinders/{cylinder_id}/tag.svg")
def show_label(at: TheRecord) -> Response:
    """The label to print, 62 × 40 mm."""
    tag, tagged = at.tag, at.tagged
    if tag is None or tagged is None:
        raise Refused([Reason("tag.none", "This record goes by no tag.")])
    marks = f"{tag.maker} {tag.spec} {tag.first_test}".strip()
    drawn = tag_label(tag.serial, shop=at.names.shop(tagged.node), on=tagged.performed_on, marks=marks)
    return Response(drawn, media_type="image/svg+xml", headers={"x-content-type-options": "nosniff"})


def _recorded(at: Record, form: Posted, outcome: Outcome | Trouble) -> Response:
    return go(at.here) if isinstance(outcome, Outcome) else _page(at, outcome, form)


def _page(at: Record, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    around = at.node.desk.around(None, at.session.person.actor)
    return render(
        at.request, "identity.html", title="Which cylinder it is", session=at.session,
        back=Link(f"/cylinders/{at.standing.cylinder_id}", "Its life"), status=trouble.status if trouble else 200,
        trouble=trouble, kept=form, standing=at.standing, here=at.here, tag=at.tag, tagged=at.tagged,
        is_read=serial_among(at.standing.marks) is not None, may_not=tuple(inspector_reasons(around)),
        has_photo=photo(at.node.store.path.parent, at.photo_sha256) is not None, shop_of_tag=at.names.shop(at.tagged.node) if at.tagged else "",
        carried=[(block, against.block_lines(block, at.names, at.node.settings.tz)) for block in at.carried],
    )  # fmt: skip
