"""The officer's two pages about identity: two records are one cylinder; they are not one after all.

Each takes two steps: what is on record, side by side and in full, and only then the word that is written for good.
"""

import json
from collections.abc import Callable, Mapping
from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Depends, Query, Response
from fastapi.responses import RedirectResponse
from pydantic import ValidationError

from cylinder.facts import IdentitiesLinked
from cylinder.recorded import derived_id
from cylinder.refusal import Refused
from network.api.problems import Problem
from network.hub import Hub
from network.office.kinship import beside, candidates, record_link, record_split, whole
from network.office.look_up import life_of
from network.office.people import Officer
from network.office.sessions import form_fields
from network.office.wrong_record import Page


def add_same_cylinder(router: APIRouter, hub: Hub, signed_in: Callable[..., Officer], page: Page) -> None:
    """Add the pages to the office's."""
    reading = Annotated[Officer, Depends(signed_in)]
    posted = Annotated[dict[str, str], Depends(form_fields)]
    chosen = Annotated[tuple[UUID, ...], Depends(chosen_links)]

    def same(
        officer: Officer,
        cylinder_id: UUID,
        other: UUID | None,
        q: str,
        why_not: tuple[str, ...],
        kept: Mapping[str, str],
    ) -> Response:
        here = f"/office/cylinders/{cylinder_id}"
        with hub.database.transaction() as tx:
            life = life_of(tx, cylinder_id)
            pair = None if other is None or life is None else beside(tx, cylinder_id, other, officer.actor_id)
            near = () if life is None or pair is not None else candidates(tx, cylinder_id, q)
        if life is None or (other is not None and pair is None):
            raise _unknown()
        return page(
            hub, "same.html", officer, status=409 if why_not else 200, here=here, life=life, pair=pair, near=near,
            keyed=q, key=hub.world.new_id(), kept=kept, why_not=why_not,
        )  # fmt: skip

    def apart(
        officer: Officer,
        cylinder_id: UUID,
        why_not: tuple[str, ...],
        kept: Mapping[str, str],
        links: tuple[UUID, ...],
    ) -> Response:
        with hub.database.transaction() as tx:
            found = whole(tx, cylinder_id, officer.actor_id)
        if found is None:
            raise _unknown()
        return page(
            hub, "apart.html", officer, status=409 if why_not else 200, here=f"/office/cylinders/{cylinder_id}",
            found=found, key=hub.world.new_id(), kept=kept, why_not=why_not, chosen=links,
        )  # fmt: skip

    @router.get("/office/cylinders/{cylinder_id}/same")
    def compare(
        officer: reading,
        cylinder_id: UUID,
        other: UUID | None = None,
        near: Annotated[str, Query(max_length=64)] = "",
    ) -> Response:
        return same(officer, cylinder_id, other, near, (), {})

    @router.post("/office/cylinders/{cylinder_id}/same")
    def say_same(officer: reading, cylinder_id: UUID, fields: posted) -> Response:
        other = _uuid(fields.get("other", ""))
        try:
            said = IdentitiesLinked.model_validate(
                {name: fields.get(name, "") for name in ("other", "why", "evidence")}
            )
            key = _once(fields)
            with hub.database.transaction() as tx:
                made = record_link(
                    tx,
                    hub.own_log,
                    cylinder_id,
                    said,
                    officer=officer.actor_id,
                    key=key,
                    now=hub.world.clock(),
                )
        except (ValueError, Refused) as trouble:
            return same(officer, cylinder_id, other, "", _why_not(trouble), fields)
        if made is not None:
            hub.announce_own(made)
        return RedirectResponse(f"/office/cylinders/{cylinder_id}", 303)

    @router.get("/office/cylinders/{cylinder_id}/apart")
    def part(officer: reading, cylinder_id: UUID) -> Response:
        return apart(officer, cylinder_id, (), {}, ())

    @router.post("/office/cylinders/{cylinder_id}/apart")
    def say_apart(officer: reading, cylinder_id: UUID, links: chosen, fields: posted) -> Response:
        try:
            key = _once(fields)
            with hub.database.transaction() as tx:
                made = record_split(
                    tx, hub.own_log, cylinder_id, links, why=fields.get("why", "").strip(),
                    evidence=fields.get("evidence", "").strip(), officer=officer.actor_id, key=key,
                    now=hub.world.clock(),
                )  # fmt: skip
        except (ValueError, Refused) as trouble:
            return apart(officer, cylinder_id, _why_not(trouble), fields, links)
        if made is not None:
            hub.announce_own(made)
        return RedirectResponse(f"/office/cylinders/{cylinder_id}", 303)


def chosen_links(fields: Annotated[dict[str, str], Depends(form_fields)]) -> tuple[UUID, ...]:
    """The links that are ticked: a form sends each under a name of its own."""
    found = (_uuid(name.removeprefix("link-")) for name in fields if name.startswith("link-"))
    return tuple(one for one in found if one is not None)


_FIELDS = {
    "other": "Choose the other record.",
    "why": "Say why, in 1 to 200 letters.",
    "evidence": "Say what shows it, in 1 to 200 letters.",
}


def _why_not(trouble: ValueError | Refused) -> tuple[str, ...]:
    match trouble:
        case Refused():
            return tuple(reason.words for reason in trouble.reasons)
        case ValidationError():
            named = [str(one["loc"][0]) for one in trouble.errors() if one["loc"]]
            return tuple(dict.fromkeys(_FIELDS.get(name, "The form is not whole.") for name in named))
        case _:
            return ("The form is not whole. Open the page again.",)


def _once(fields: Mapping[str, str]) -> UUID:
    """The form's once-key, bound to what was keyed. Raises ValueError.

    A form that was gone back to, changed and sent again is another word, and must not be passed over in silence.
    """
    answers = json.dumps(sorted(pair for pair in fields.items() if pair[0] != "key"))
    return derived_id(UUID(fields.get("key", "")), answers)


def _uuid(text: str) -> UUID | None:
    try:
        return UUID(text)
    except ValueError:
        return None


def _unknown() -> Problem:
    return Problem(404, "cylinder", "The network has no record of this cylinder", "Find it by its serial.")
