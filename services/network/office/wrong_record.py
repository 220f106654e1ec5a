"""The officer's page about a condemnation of the wrong cylinder: propose, see what is missing, annul."""

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Annotated, Protocol
from uuid import UUID

from fastapi import APIRouter, Depends, Response
from fastapi.responses import RedirectResponse
from pydantic import ValidationError

from cylinder.facts import AnnulmentProposed, CondemnationAnnulled, Condemned
from cylinder.recorded import Recorded
from cylinder.refusal import Refused
from network.api.problems import Problem
from network.hub import Hub
from network.office.annulling import condemnations_of, record_annulment, record_proposal
from network.office.look_up import Names, life_of, names
from network.office.people import Officer
from network.office.sessions import form_fields


class Page(Protocol):
    """Renders one of the office's templates."""

    def __call__(
        self, hub: Hub, template: str, officer: Officer | None, *, status: int = 200, **words: object
    ) -> Response: ...


def add_wrong_record(
    router: APIRouter, hub: Hub, signed_in: Callable[..., Officer], page: Page, day: Callable[[dt.date], str]
) -> None:
    """Add the pages to the office's."""
    reading = Annotated[Officer, Depends(signed_in)]
    posted = Annotated[dict[str, str], Depends(form_fields)]

    def shown(
        officer: Officer, cylinder_id: UUID, why_not: tuple[str, ...], kept: Mapping[str, str]
    ) -> Response:
        with hub.database.transaction() as tx:
            if life_of(tx, cylinder_id) is None:
                raise Problem(
                    404, "cylinder", "The network has no record of this cylinder", "Find it by its serial."
                )
            called = names(tx)
            found = condemnations_of(tx, cylinder_id, officer.actor_id, now=hub.world.clock())
        return page(
            hub, "wrong.html", officer, status=409 if why_not else 200, found=found, called=called,
            here=f"/office/cylinders/{cylinder_id}", key=hub.world.new_id(), kept=kept, why_not=why_not,
            choices=[(str(one.id), _choice(one, called, day)) for one in found.unproposed],
        )  # fmt: skip

    @router.get("/office/cylinders/{cylinder_id}/wrong")
    def wrong(officer: reading, cylinder_id: UUID) -> Response:
        return shown(officer, cylinder_id, (), {})

    @router.post("/office/cylinders/{cylinder_id}/wrong")
    def propose(officer: reading, cylinder_id: UUID, fields: posted) -> Response:
        try:
            said = AnnulmentProposed.model_validate(
                {name: fields.get(name, "") for name in ("block", "why", "evidence")}
            )
            key = UUID(fields.get("key", ""))
            with hub.database.transaction() as tx:
                made = record_proposal(
                    tx,
                    hub.own_log,
                    cylinder_id,
                    said,
                    officer=officer.actor_id,
                    key=key,
                    now=hub.world.clock(),
                )
        except (ValueError, Refused) as trouble:
            return shown(officer, cylinder_id, _why_not(trouble), fields)
        if made is not None:
            hub.announce_own(made)
        return RedirectResponse(f"/office/cylinders/{cylinder_id}/wrong", 303)

    @router.post("/office/cylinders/{cylinder_id}/annul")
    def annul(officer: reading, cylinder_id: UUID, fields: posted) -> Response:
        try:
            proposal, key = UUID(fields.get("proposal", "")), UUID(fields.get("key", ""))
            said = CondemnationAnnulled(proposal=proposal, why=fields.get("finding", ""))
            with hub.database.transaction() as tx:
                made = record_annulment(
                    tx, hub.own_log, cylinder_id, proposal, said.why, officer=officer.actor_id, key=key,
                    now=hub.world.clock(),
                )  # fmt: skip
        except (ValueError, Refused) as trouble:
            return shown(officer, cylinder_id, _why_not(trouble), fields)
        if made is not None:
            hub.announce_own(made)
        return RedirectResponse(f"/office/cylinders/{cylinder_id}", 303)


_FIELDS = {
    "block": "Choose the condemnation.",
    "why": "Say what is wrong, in 1 to 200 letters.",
    "evidence": "Say what shows it, in 1 to 200 letters.",
}


def _why_not(trouble: ValueError | Refused) -> tuple[str, ...]:
    match trouble:
        case Refused():
            return tuple(reason.words for reason in trouble.reasons)
        case ValidationError():
            named = [str(one["loc"][0]) for one in trouble.errors() if one["loc"]]
            return tuple(_FIELDS.get(name, "The form is not whole.") for name in named)
        case _:
            return ("The form is not whole. Open the page again.",)


def _choice(block: Recorded, called: Names, day: Callable[[dt.date], str]) -> str:
    why = block.fact.reason if isinstance(block.fact, Condemned) else "words of newer software"
    return f"{day(block.performed_on)}, {called.shop(block.node)}, {called.who(block.actor)}: {why}"
