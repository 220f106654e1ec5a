"""Handing over: the diver, the tags in one's hand, the address for the receipt. A wrong tag or a wrong diver is refused in words."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from fastapi import APIRouter, Request
from starlette.responses import Response

from branch.cards import card_of
from branch.desk import Outcome
from branch.floor import against
from branch.node import Node
from branch.people import Session
from branch.store import views as look
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.asking import Form, Posted, Trouble, record, uuid_or_none
from branch.web.pages.render import go, render
from cylinder import commands as c
from cylinder.decide.analyse import why_not_signed_for
from cylinder.refusal import Reason
from cylinder.visit import Visit
from eventlog.wire import DiverCard

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True)
class Diver:
    """A diver with cylinders on this floor. `why` says of each cylinder that is not ready what it waits for."""

    ref: str
    card: DiverCard | None
    ready: tuple[Visit, ...]
    waiting: tuple[tuple[Visit, str], ...]

    @property
    def name(self) -> str:
        """The name on the card, or what can be said without one."""
        return self.card.name if self.card else "A diver whose card is not here"


@router.get("/hand-over")
def show(request: Request, node: TheNode, session: SignedIn, diver: str = "") -> Response:
    """Whose cylinders are here; and of one diver, which are ready."""
    divers = _divers(node)
    one = next((each for each in divers if each.ref == diver), None)
    if one is None:
        return render(request, "hand_over_who.html", title="Hand over", session=session, divers=divers)
    return _page(request, node, session, one)


@router.post("/hand-over")
def hand_over(request: Request, node: TheNode, session: SignedIn, form: Form) -> Response:
    """Give them out: first the address as it was checked, so that the receipt cannot go to the old one."""
    diver = next((each for each in _divers(node) if each.ref == form.text("diver_ref")), None)
    key = uuid_or_none(form.text("key"))
    if diver is None:
        # The same tap again, after everything was given out: show what it made.
        done = _recorded_before(node, session, form)
        return _done(done) if isinstance(done, Outcome) else go("/hand-over")
    visit_ids, wrong = _in_hand(node, form)
    card = _checked_card(diver, form)
    if isinstance(card, tuple) or wrong or key is None:
        reasons = (*wrong, *(card if isinstance(card, tuple) else ()))
        return _page(request, node, session, diver, trouble=Trouble(reasons, 422), kept=form)
    if card is not None and card != diver.card:
        node.divers.keep(card)
        node.sync.wake_push()
    asked = {"key": key, "diver_ref": diver.ref, "visit_ids": visit_ids}
    done = record(
        node, session, lambda: c.HandOver.model_validate(asked), {"visit_ids": "the tags in your hand"}
    )
    if isinstance(done, Outcome):
        return _done(done)
    return _page(request, node, session, diver, trouble=done, kept=form)


@router.get("/handed-over/{first}")
def handed_over(request: Request, node: TheNode, session: SignedIn, first: UUID, also: str = "") -> Response:
    """What was given out just now, and where the receipt goes."""
    ids = [first, *(found for text in also.split(",")[:20] if (found := uuid_or_none(text)))]
    visits = tuple(visit for one in ids if (visit := node.desk.visit(one)) and visit.handover)
    card = node.divers.card(visits[0].diver_ref) if visits else None
    return render(request, "handed_over.html", title="Handed over", session=session, visits=visits, card=card)


def _done(done: Outcome) -> Response:
    first, *others = done.visit_ids
    also = f"?also={','.join(str(one) for one in others)}" if others else ""
    return go(f"/handed-over/{first}{also}")


def _recorded_before(node: Node, session: Session, form: Posted) -> Outcome | Trouble:
    asked = {
        "key": form.text("key"),
        "diver_ref": form.text("diver_ref"),
        "visit_ids": form.all("visit"),
    }
    return record(node, session, lambda: c.HandOver.model_validate(asked))


def _divers(node: Node) -> tuple[Diver, ...]:
    """Everybody whose cylinders are here, those with something ready first."""
    visits = node.desk.open_visits()
    with node.store.reading() as cursor:
        ids = [visit.cylinder_id for visit in visits if visit.cylinder_id]
        standings = {one.cylinder_id: one for one in look.standings(cursor, ids)}
    refs = dict.fromkeys(visit.diver_ref for visit in visits if visit.diver_ref)
    found = []
    for ref in refs:
        ready, waiting = [], []
        for visit in (one for one in visits if one.diver_ref == ref):
            stopped = against(visit, standings.get(visit.cylinder_id) if visit.cylinder_id else None)
            is_full = stopped == "open" and visit.step == "hand_over"
            unsigned = tuple(why_not_signed_for(visit)) if is_full else ()
            if unsigned:
                waiting.append((visit, _UNSIGNED.get(unsigned[0].rule_id, "not analysed")))
            elif is_full:
                ready.append(visit)
            else:
                waiting.append((visit, _WAITS.get(stopped, "not full yet")))
        found.append(Diver(ref, node.divers.card(ref), tuple(ready), tuple(waiting)))
    return tuple(sorted(found, key=lambda one: (not one.ready, one.name)))


_UNSIGNED = {
    "hand-over.not-signed": "the diver has not signed for its mix",
    "analyse.off": "its mix is not the wish",
}
_WAITS = {"stop": "Do not fill, do not hand over", "hold": "Hold"}


def _in_hand(node: Node, form: Posted) -> tuple[tuple[UUID, ...], tuple[Reason, ...]]:
    """The visits that were tapped, and those whose tag was keyed; a tag that hangs on nothing here is a reason why not."""
    by_tag = {visit.tag: visit.id for visit in node.desk.open_visits()}
    ids = [found for text in form.all("visit") if (found := uuid_or_none(text))]
    wrong = []
    for word in form.text("tags").replace(",", " ").split():
        tag = int(word) if word.isascii() and word.isdecimal() else 0
        if tag in by_tag:
            ids.append(by_tag[tag])
        else:
            wrong.append(
                Reason(
                    "hand-over.tag", f"No cylinder here hangs on tag {word[:8]}. Read the tag again.", "input"
                )
            )
    if not ids and not wrong:
        wrong.append(Reason("hand-over.none", "Tap the tags that you have in your hand.", "input"))
    return tuple(dict.fromkeys(ids)), tuple(wrong)


def _checked_card(diver: Diver, form: Posted) -> DiverCard | tuple[Reason, ...] | None:
    """The card as checked on this page; None where there is no card and nothing was keyed."""
    if diver.card is None and not form.has("name"):
        return None
    return card_of(diver.ref, name=form.text("name"), email=form.text("email"), phone=form.text("phone"))


def _page(
    request: Request, node: Node, session: Session, diver: Diver, *, trouble: Trouble | None = None,
    kept: Posted | None = None,
) -> Response:  # fmt: skip
    card = diver.card
    as_kept = Posted(
        (("name", card.name), ("email", card.email or ""), ("phone", card.phone or "")) if card else ()
    )
    return render(
        request, "hand_over.html", title=f"Hand over to {diver.name}", status=trouble.status if trouble else 200,
        session=session, diver=diver, trouble=trouble, kept=kept or as_kept,
        unsigned={visit.id for visit, why in diver.waiting if why == _UNSIGNED["hand-over.not-signed"]},
    )  # fmt: skip
