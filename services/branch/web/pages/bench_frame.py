"""One cylinder at the bench as its pages see it: standing, names, history, the rail, the certificate of who asks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated
from uuid import UUID

from fastapi import Depends, Request
from pydantic import ValidationError
from starlette.responses import Response

from branch.against import Names
from branch.node import Node
from branch.people import Session
from branch.store import views as look
from branch.store.rows import history, standing_row
from branch.web.gate import SignedIn, TheNode
from branch.web.pages import words
from branch.web.pages.asking import Posted, Trouble, plain
from branch.web.pages.render import names_of, render
from branch.web.pages.steps_frame import LABELS, NOTHING
from cylinder.around import Around
from cylinder.decide.annul import Proposal, open_proposals
from cylinder.decide.gates import inspector_reasons
from cylinder.recorded import Recorded, cylinder_subject
from cylinder.refusal import Reason, Refused
from cylinder.standing import Block, Standing
from cylinder.visit import Visit
from signage import Check, Link, Plate, Rail

BENCH = Link("/bench", "Bench")
MOST_LINES = 60
BENCH_LABELS: Mapping[str, str] = {
    **LABELS,
    "findings": "findings",
    "finding": "finding",
    "reason": "what was seen",
    "how": "how",
    "performed_on": "the day it was done",
    "evidence": "what shows the day",
    "total_expansion_cc": "total expansion",
    "permanent_expansion_cc": "permanent expansion",
    "requalifier": "who requalified it",
    "last_four": "last four of the serial",
    "criterion_id": "criterion",
    "method": "method",
}


@dataclass(frozen=True)
class Bench:
    """Everything that a page about one cylinder at the bench looks at."""

    request: Request
    node: Node
    session: Session
    around: Around
    standing: Standing
    names: Names
    records: tuple[Recorded, ...]
    visit: Visit | None
    proposals: tuple[Proposal, ...] = ()
    """Where it is said that a condemnation was written against the wrong record."""

    @property
    def here(self) -> str:
        """The address of the cylinder at the bench."""
        return f"/bench/{self.standing.cylinder_id}"

    @property
    def is_veiled(self) -> bool:
        """It stands on the floor and its rating is still to be read: nobody is told what is on record."""
        return self.visit is not None and self.visit.rating is None

    def proposal(self, proposal_id: str) -> Proposal | None:
        """One open proposal."""
        return next((one for one in self.proposals if str(one.proposed.id) == proposal_id), None)

    def may_second(self, proposal: Proposal) -> bool:
        """Whether to offer it: another shop and another person. What is recorded, the domain decides."""
        actor = self.session.person.actor.id
        said = {proposal.proposed.actor, *(one.actor for one in proposal.seconds)}
        return self.node.settings.node != proposal.block.node and actor not in said

    def block(self, block_id: str) -> Block | None:
        """One thing that is held against it."""
        return next((one for one in self.standing.blocks if str(one.id) == block_id), None)


def at_bench(cylinder_id: UUID, request: Request, node: TheNode, session: SignedIn) -> Bench:
    """The cylinder of the address. Raises Refused when it is on no record."""
    with node.store.reading() as cursor:
        standing = standing_row(cursor, cylinder_id)
        names = names_of(node, cursor)
        records = tuple(history(cursor, cylinder_subject(cylinder_id), MOST_LINES))
        is_condemned = standing is not None and standing.is_condemned
        proposals = open_proposals(look.basis_of(cursor, cylinder_id)) if is_condemned else ()
    if standing is None or not standing.marks:
        words_ = "There is no such cylinder on record. Find it by its serial, or put it on record."
        raise Refused([Reason("bench.unknown", words_)])
    visit = next((one for one in node.desk.open_visits() if one.cylinder_id == cylinder_id), None)
    around = node.desk.around(None, session.person.actor)
    return Bench(request, node, session, around, standing, names, records, visit, proposals)


TheBench = Annotated[Bench, Depends(at_bench)]


def bench_page(
    at: Bench, template: str, *, trouble: Trouble | None = None, kept: Posted = NOTHING, **more: object
) -> Response:
    """A page of the cylinder at the bench: rail, certificate, what was keyed, why it was not recorded."""
    return render(
        at.request,
        f"bench/{template}.html",
        title=f"Bench, {at.session.person.known_as}",
        back=BENCH,
        stream="/stream",
        status=trouble.status if trouble else 200,
        session=at.session,
        here=at.here,
        standing=at.standing,
        rail=bench_rail(at),
        trouble=trouble,
        kept=kept,
        **more,
    )


def bench_rail(at: Bench) -> Rail:
    """Which cylinder lies on the bench. Its rating is not shown: the inspector reads it off the metal."""
    marks = at.standing.marks[0]
    worst = at.standing.blocks[0] if at.standing.blocks else None
    standing = (
        Check("Standing", "Clear", "done")
        if worst is None
        else Check("Standing", worst.words, "hold" if worst.is_hold else "stop")
    )
    until = at.session.person.actor.certificate_until
    is_good = not list(inspector_reasons(at.around))
    certificate = at.session.person.actor.certificate or "none"
    return Rail(
        tag=str(at.visit.tag) if at.visit else "",
        gas="At the bench",
        lines=("on the floor here",) if at.visit else ("not on the floor",),
        plate=Plate(
            serial=marks.serial,
            marks=" ".join(part for part in (marks.maker, marks.spec) if part),
            date=f"{marks.first_test[5:7]} {marks.first_test[2:4]}",
        ),
        shows_rating=False,
        checks=(
            standing,
            Check("Requalified", words.month(at.standing.requalified), "done" if at.standing.requalified else "open"),
            Check("Inside look", words.month(at.standing.looked_inside), "done" if at.standing.looked_inside else "open"),
            Check("Certificate", certificate, "done" if is_good else "hold"),
            Check("good to", f"{until:%d %b %Y}" if until else "not on record", "done" if is_good else "hold"),
        ),
    )  # fmt: skip


def certificate_words(session: Session) -> str:
    """The month that the inspector's certificate is good to; empty for who has none."""
    actor = session.person.actor
    if actor.role != "inspector" or actor.certificate_until is None:
        return ""
    return f"to {actor.certificate_until:%b %Y}"


def rule_words(at: Bench, rule_id: str) -> str:
    """A rule's words and where they are written; empty where the pack in force has no such rule."""
    rule = next((one for one in at.node.desk.rules.rules if one.id == rule_id), None)
    return f"{rule.words} {rule.citation()}." if rule else ""


def faults(wrong: ValidationError, labels: Mapping[str, str]) -> tuple[Reason, ...]:
    """Each fault of the input once, by the outermost name that a label is known for."""
    reasons = []
    for error in wrong.errors():
        known = [labels[str(part)] for part in error["loc"] if str(part) in labels]
        named = known[0] if known else str(error["loc"][-1]).replace("_", " ")
        reasons.append(
            Reason("input.bench", f"{named[:1].upper()}{named[1:]}: {plain(error['msg'])}", "input")
        )
    return tuple(dict.fromkeys(reasons))
