"""/v1/office: what the officer's pages show, as JSON, for whoever is signed in there."""

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Depends, Path, Query

from network.api.problems import Problem, documented
from network.hub import Hub
from network.office.audit import fills_in_question
from network.office.documents import Audit, CylinderLife, Exposures, Found, Shops
from network.office.identity_api import add_identity
from network.office.look_up import all_exposures, all_shops, find_cylinders, life_of
from network.office.people import Officer
from network.office.sessions import officer_behind


def routes(hub: Hub) -> APIRouter:
    """The resource, over this hub."""
    behind = officer_behind(hub)

    def signed_in(officer: Annotated[Officer | None, Depends(behind)]) -> Officer:
        if officer is None:
            raise Problem(401, "session", "Sign in first", "With the session cookie of /office/sign-in.")
        return officer

    router = APIRouter(
        prefix="/v1/office",
        tags=["officer"],
        dependencies=[Depends(signed_in)],
        responses=documented(401, 503),
    )

    @router.get(
        "/cylinders",
        summary="Find cylinders by serial",
        description=(
            "Nearest first: the same serial (distance 0), only signs that are misread for one another (1), one "
            "slip (2), a part of it (3); of equals the blocked ones first. `why` says what differs."
        ),
    )
    def find(q: Annotated[str, Query(max_length=64, description="The serial as it was read")]) -> Found:
        with hub.database.transaction() as tx:
            return find_cylinders(tx, q)

    @router.get(
        "/cylinders/{cylinder_id}",
        summary="A cylinder's whole life",
        description="Standing and why, every fact across all shops (newest first), fills and exposures.",
        responses=documented(404),
    )
    def life(cylinder_id: Annotated[UUID, Path(description="The cylinder's id")]) -> CylinderLife:
        with hub.database.transaction() as tx:
            found = life_of(tx, cylinder_id)
        if found is None:
            raise Problem(404, "cylinder", "The network has no record of this cylinder")
        return found

    add_identity(router, hub, behind)

    @router.get(
        "/exposures",
        summary="Fills of cylinders that were found bad",
        description="One per finding and fill. `knew` means that the shop held the finding when it filled.",
    )
    def exposures() -> Exposures:
        with hub.database.transaction() as tx:
            return all_exposures(tx)

    @router.get(
        "/audit",
        summary="The last audit of all fills",
        description=(
            "Every authorised fill is judged again once a day over exactly what its shop held at that moment. `knew` "
            "must be empty; `cannot_say` are fills around a restore of the hub or a fork of a log."
        ),
    )
    def audit() -> Audit:
        with hub.database.transaction() as tx:
            return fills_in_question(tx)

    @router.get(
        "/shops",
        summary="How fresh each node is",
        description="When it was last heard, and how many positions of the feed it has not absorbed yet.",
    )
    def shops() -> Shops:
        contacts = hub.hearing.contacts()
        with hub.database.transaction() as tx:
            return all_shops(tx, contacts)

    return router
