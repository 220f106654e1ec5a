"""Who is asking: the node that a ticket speaks for, and whether it may ask this often."""

import datetime as dt
import math
from collections.abc import Callable
from typing import Annotated

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from fastapi import Depends, Header
from fastapi.security import HTTPBearer

from eventlog import ticket
from eventlog.keys import public_key
from network.admission import Rate
from network.api.problems import Problem
from network.hub import Hub
from network.store.nodes import Node, find_node

RETRY_AFTER_FALL_S = "60"
bearer = HTTPBearer(
    auto_error=False, bearerFormat="JWT", description="A node's ticket: EdDSA, at most 60 s old."
)


def caller_of(hub: Hub, *, lets_revoked: bool = False) -> Callable[[str | None, object], Node]:
    """A dependency that gives the enrolled node behind a request, or refuses with 401 or 403."""

    def caller(
        authorization: Annotated[str | None, Header(include_in_schema=False)] = None,
        documented: Annotated[object, Depends(bearer)] = None,
    ) -> Node:
        del documented
        now = hub.world.clock()
        token = token_in(authorization)
        found: dict[str, Node] = {}

        def key_of_node(slug: str) -> Ed25519PublicKey | None:
            with hub.database.transaction() as tx:
                node = find_node(tx, slug)
            if node is None:
                return None
            found[slug] = node
            return public_key(node.public_key)

        try:
            node = found[ticket.check(token, key_of_node, now)]
        except ticket.TicketRefused as refused:
            raise refused_ticket(refused, now) from None
        if node.is_revoked and not lets_revoked:
            raise Problem(403, "revoked", "This node was revoked", "Enrol it again with a new key.")
        hub.hearing.note(node.slug, now=now)
        return node

    return caller


def token_in(authorization: str | None) -> str:
    """The ticket in the header, or 401."""
    scheme, _, token = (authorization or "").partition(" ")
    if scheme.lower() != "bearer" or not token:
        raise Problem(401, "ticket", "A ticket is needed", headers={"www-authenticate": "Bearer"})
    return token


def refused_ticket(refused: ticket.TicketRefused, now: dt.datetime) -> Problem:
    """The 401 for a ticket that proves nothing."""
    return Problem(
        401,
        "ticket",
        "The ticket is refused",
        refused.reason,
        # A node whose clock is off may correct its tickets by this.
        members={"hub_time": now.isoformat()} if refused.is_out_of_time else None,
        headers={"www-authenticate": "Bearer"},
    )


def refuse_when_fallen(hub: Hub) -> Callable[[], None]:
    """A dependency that refuses with 503 while the hub is known to have fallen back: nothing is read or written then."""

    def firm() -> None:
        why = hub.trouble()
        if why is not None:
            raise Problem(
                503,
                "rolled-back",
                "The hub's database is an older one",
                f"{why}. Its operator must give it a new epoch; keep everything.",
                headers={"retry-after": RETRY_AFTER_FALL_S},
            )

    return firm


def admit(hub: Hub, who: str, rate: Rate) -> None:
    """Take a token of this caller's bucket, or refuse with 429."""
    wait_s = hub.admission.wait_s(who, rate)
    if wait_s > 0:
        retry_after = str(max(1, math.ceil(wait_s)))
        raise Problem(
            429,
            "busy",
            "Too many requests",
            "Wait, then go on where you were.",
            members={"answer": "busy", "retry_after_s": round(wait_s, 3)},
            headers={"retry-after": retry_after},
        )


def only(node: Node, *roles: str) -> None:
    """Refuse with 403 unless the node has one of these roles."""
    if node.role not in roles:
        raise Problem(403, "role", "Not for this node", f"A {node.role} may not do this.")
