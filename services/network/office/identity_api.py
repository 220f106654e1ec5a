"""/v1/office: which records are one cylinder, as JSON. The same decisions as the officer's pages, with the same words."""

from collections.abc import Callable
from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Depends, Path, Request
from pydantic import BaseModel, ConfigDict, Field

from cylinder.facts import IdentitiesLinked
from cylinder.facts.shape import Short
from cylinder.refusal import Refused
from network.api.problems import Problem, documented
from network.hub import Hub
from network.office.kinship import Beside, Whole, beside, record_link, record_split, whole
from network.office.people import Officer
from network.office.sessions import check_from_here

Cylinder = Annotated[UUID, Path(description="The cylinder's id")]


class LinkAsked(BaseModel):
    """The other record, why they are one cylinder and what shows it. The same `key` twice is one link."""

    model_config = ConfigDict(extra="forbid")

    key: UUID
    other: UUID
    why: Short
    evidence: Short


class SplitAsked(BaseModel):
    """The links that were wrong, why, and what shows it. The same `key` twice is one split."""

    model_config = ConfigDict(extra="forbid")

    key: UUID
    links: Annotated[tuple[UUID, ...], Field(max_length=20)]
    why: Short
    evidence: Short


def add_identity(router: APIRouter, hub: Hub, behind: Callable[[Request], Officer | None]) -> None:
    """Add the four to the office's resource, which lets in nobody who is not signed in."""

    def signed_in(officer: Annotated[Officer | None, Depends(behind)]) -> Officer:
        if officer is None:
            raise Problem(401, "session", "Sign in first", "With the session cookie of /office/sign-in.")
        return officer

    reading = Annotated[Officer, Depends(signed_in)]

    @router.get(
        "/cylinders/{cylinder_id}/beside/{other}",
        summary="Two records side by side",
        description="Line by line, with `union`, all that would be held against both, and `why_not`, what refuses a link.",
        responses=documented(404),
    )
    def compare(officer: reading, cylinder_id: Cylinder, other: UUID) -> Beside:
        with hub.database.transaction() as tx:
            found = beside(tx, cylinder_id, other, officer.actor_id)
        if found is None:
            raise _unknown()
        return found

    @router.get(
        "/cylinders/{cylinder_id}/links",
        summary="The records that are one cylinder with this one",
        description="The links that hold, and the blocks that each part would keep.",
        responses=documented(404),
    )
    def links(officer: reading, cylinder_id: Cylinder) -> Whole:
        with hub.database.transaction() as tx:
            found = whole(tx, cylinder_id, officer.actor_id)
        if found is None:
            raise _unknown()
        return found

    @router.post(
        "/cylinders/{cylinder_id}/links",
        summary="Say that two records are one cylinder",
        description="From then on what is held against either is held against both, at every shop.",
        status_code=204,
        responses=documented(403, 409),
        dependencies=[Depends(check_from_here)],
    )
    def link(officer: reading, cylinder_id: Cylinder, asked: LinkAsked) -> None:
        said = IdentitiesLinked(other=asked.other, why=asked.why, evidence=asked.evidence)
        try:
            with hub.database.transaction() as tx:
                made = record_link(
                    tx,
                    hub.own_log,
                    cylinder_id,
                    said,
                    officer=officer.actor_id,
                    key=asked.key,
                    now=hub.world.clock(),
                )
        except Refused as refused:
            raise _refused(refused) from None
        if made is not None:
            hub.announce_own(made)

    @router.post(
        "/cylinders/{cylinder_id}/splits",
        summary="Say that they are not one after all",
        description="Exactly the named links end. Each part keeps every open block until an inspector assigns it.",
        status_code=204,
        responses=documented(403, 409),
        dependencies=[Depends(check_from_here)],
    )
    def split(officer: reading, cylinder_id: Cylinder, asked: SplitAsked) -> None:
        try:
            with hub.database.transaction() as tx:
                made = record_split(
                    tx, hub.own_log, cylinder_id, asked.links, why=asked.why, evidence=asked.evidence,
                    officer=officer.actor_id, key=asked.key, now=hub.world.clock(),
                )  # fmt: skip
        except Refused as refused:
            raise _refused(refused) from None
        if made is not None:
            hub.announce_own(made)


def _unknown() -> Problem:
    return Problem(404, "cylinder", "The network has no record of this cylinder")


def _refused(refused: Refused) -> Problem:
    return Problem(
        409, "identity", "Not recorded", " ".join(reason.words for reason in refused.reasons),
        members={"reasons": [{"rule": reason.rule_id, "words": reason.words} for reason in refused.reasons]},
    )  # fmt: skip
