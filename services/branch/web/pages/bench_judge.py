"""The judgements of the bench: each a page with one question. Good news and condemnations only from an inspector in date.

What is allowed is asked of the domain; the pages never decide it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

from fastapi import APIRouter
from starlette.responses import Response

from branch.desk import Outcome
from branch.web.pages import words
from branch.web.pages.asking import Form, Posted, Trouble, record
from branch.web.pages.bench_frame import BENCH_LABELS, Bench, TheBench, bench_page, rule_words
from branch.web.pages.render import go
from cylinder import commands as c
from cylinder.decide.annul import Proposal
from cylinder.decide.gates import inspector_reasons, specs_claimed
from cylinder.facts import AnnulmentProposed, Condemned
from cylinder.refusal import Reason, Refused
from rulebook import Criterion, condemn_criteria, reject_criteria

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True)
class Judgement:
    """One thing that the bench may record: its page, its command, and whether only an inspector may."""

    make: Callable[[Bench, Posted], c.Command]
    for_inspectors: bool = True


def _base(at: Bench, form: Posted, /, **answers: object) -> dict[str, object]:
    return {"key": form.text("key"), "cylinder_id": at.standing.cylinder_id, **answers}


def _dated(at: Bench, form: Posted, /, **answers: object) -> dict[str, object]:
    day = {"performed_on": form.text("performed_on"), "evidence": form.text("evidence")}
    return _base(at, form, **day, **answers)


def _rejected(at: Bench, form: Posted) -> c.Command:
    return c.Reject.model_validate(
        _dated(at, form, reason=form.text("reason"), criterion_id=form.text("criterion"))
    )


def _condemned(at: Bench, form: Posted) -> c.Command:
    if form.text("held") != "yes":
        said = "Press the red button and hold it for two seconds. Without script, tick the box beside it."
        raise Refused([Reason("input.held", said, "input")])
    return c.Condemn.model_validate(
        _dated(
            at,
            form,
            reason=form.text("reason"),
            criterion_id=form.text("criterion"),
            last_four=form.text("last_four"),
        )
    )


def _unusable(at: Bench, form: Posted) -> c.Command:
    return c.MakeUnusable.model_validate(_dated(at, form, how=form.text("how")))


def _held(at: Bench, form: Posted) -> c.Command:
    return c.PlaceHold.model_validate(_base(at, form, reason=form.text("reason")))


def _released(at: Bench, form: Posted) -> c.Command:
    return c.ReleaseHold.model_validate(
        _base(at, form, block_id=form.text("block"), finding=form.text("finding"))
    )


def _notified(at: Bench, form: Posted) -> c.Command:
    return c.NotifyOwner.model_validate(_base(at, form, block_id=form.text("block"), how=form.text("how")))


def _seconded(at: Bench, form: Posted) -> c.Command:
    return c.SecondAnnulment.model_validate(
        _base(
            at,
            form,
            proposal_id=form.text("proposal"),
            finding=form.text("finding"),
            last_four=form.text("last_four"),
        )
    )


JUDGEMENTS: Mapping[str, Judgement] = {
    "reject": Judgement(_rejected),
    "condemn": Judgement(_condemned),
    "unusable": Judgement(_unusable),
    "release": Judgement(_released),
    "wrong-record": Judgement(_seconded),
    "hold": Judgement(_held, for_inspectors=False),
    "notify": Judgement(_notified, for_inspectors=False),
}


@router.get("/bench/{cylinder_id}/{what}")
def judging(what: str, at: TheBench) -> Response:
    """The page of one judgement; without the authority, why not."""
    judgement = JUDGEMENTS.get(what)
    if judgement is None:
        return go(at.here)
    asked = at.request.query_params
    form = Posted(tuple((name, asked.get(name, "")) for name in ("block", "proposal")))
    return _judgement_page(at, what, None, form)


@router.post("/bench/{cylinder_id}/{what}")
def judge(what: str, at: TheBench, form: Form) -> Response:
    """Record it, or say every reason why not."""
    judgement = JUDGEMENTS.get(what)
    if judgement is None:
        return go(at.here)
    done = record(at.node, at.session, lambda: judgement.make(at, form), BENCH_LABELS)
    return go(at.here) if isinstance(done, Outcome) else _judgement_page(at, what, done, form)


def _judgement_page(at: Bench, what: str, trouble: Trouble | None, form: Posted) -> Response:
    block = at.block(form.text("block"))
    if what in ("release", "notify") and block is None:
        return go(at.here)
    proposal = at.proposal(form.text("proposal"))
    if what == "wrong-record" and proposal is None:
        return go(at.here)
    why_not = [one.words for one in inspector_reasons(at.around)] if JUDGEMENTS[what].for_inspectors else []
    if why_not:
        return bench_page(at, "may_not", trouble=trouble, why_not=why_not)
    rules = at.node.desk.rules
    metals = {rules.specification(key).metal for key in specs_claimed(rules, at.standing.marks)}
    criteria = condemn_criteria(rules)
    if what == "reject":
        criteria = (*reject_criteria(rules), *criteria)
    return bench_page(
        at,
        what.replace("-", "_"),
        trouble=trouble,
        kept=form,
        block=block,
        proposal=proposal,
        shown=None if proposal is None else _shown(at, proposal),
        today=at.around.today.isoformat(),
        criteria=[("", "Choose"), *_options(criteria, metals)],
        mark=rule_words(at, "condemned.mark"),
    )


def _shown(at: Bench, proposal: Proposal) -> list[tuple[str, str]]:
    """What is said to be wrong, and by whom."""
    block, said = proposal.block, proposal.proposed.fact
    rows = [
        (
            "Condemned",
            f"{words.day(block.performed_on)}, {at.names.shop(block.node)}, {at.names.person(block.actor)}",
        )
    ]
    if isinstance(block.fact, Condemned):
        rows += [("Because", block.fact.reason), ("Serial read then", block.fact.serial_read)]
    if isinstance(said, AnnulmentProposed):
        rows += [("Said to be wrong", said.why), ("What shows it", said.evidence)]
    return [*rows, ("Proposed by", at.names.person(proposal.proposed.actor))]


def _options(criteria: tuple[Criterion, ...], metals: Collection[str]) -> list[tuple[str, str]]:
    """What an inspector picks from: what can be true of this metal, each with where it is written."""
    return [
        (one.id, f"{one.words} [{one.citation()}]")
        for one in criteria
        if one.metal == "any" or not metals or one.metal in metals
    ]
