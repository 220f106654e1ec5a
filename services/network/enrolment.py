"""How a node comes into the network: a code that works once, for a key that the node has made itself.

Owns the rule of invitations. Must never see a node's private key, and never keep a code.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Literal
from uuid import UUID

from eventlog.keys import key_id, public_key, public_text
from network.own_log import OwnLog, Statement
from network.store.database import Tx
from network.store.nodes import (
    HUB,
    NODE_ENROLLED,
    Invitation,
    Node,
    Role,
    enrol_node,
    invite,
    spend,
    take_invitation,
)
from sync.at_hub import Appended

# RELIABILITY: an enrolment code lives at most 10 minutes (ASVS 5.0, 6.5.5) unless the operator says otherwise.
DEFAULT_LIFE = dt.timedelta(minutes=10)
CODE_BYTES = 16
_SLUG = re.compile(r"[a-z][a-z0-9-]{0,62}")


class NotInvitable(Exception):
    """An invitation that cannot be written; the message says why."""


@dataclass(frozen=True, slots=True)
class TurnedAway:
    """The code does not let anybody in."""

    why: Literal["unknown", "used", "too old", "not a key"]


@dataclass(frozen=True, slots=True)
class LetIn:
    """The node is in; its enrolment is a fact."""

    node: Node
    appended: Appended


def offer(tx: Tx, code: str, *, slug: str, name: str, role: Role, expires_at: dt.datetime) -> None:
    """Write an invitation. Raises NotInvitable."""
    if not _SLUG.fullmatch(slug) or slug == HUB:
        raise NotInvitable(
            f"{slug!r}: a node's name is lower-case letters, digits and hyphens, and not {HUB!r}"
        )
    if not name.strip() or len(name) > 80 or not name.isprintable():
        raise NotInvitable("the shop's name is empty, too long or not printable")
    invite(tx, code, Invitation(slug, name.strip(), role, expires_at))


def let_in(
    tx: Tx,
    own_log: OwnLog,
    code: str,
    key_text: str,
    *,
    fact_id: UUID,
    now: dt.datetime,
    phone: str = "",
    reply_to: str = "",
) -> LetIn | TurnedAway:
    """Spend a code: the node's key is known from here on, and the feed says so, with how divers reach the shop."""
    try:
        key = public_key(key_text)
    except ValueError:
        return TurnedAway("not a key")
    invitation = take_invitation(tx, code)
    if invitation is None:
        return TurnedAway("unknown")
    if invitation.is_used:
        return TurnedAway("used")
    if now >= invitation.expires_at:
        return TurnedAway("too old")
    node = Node(invitation.slug, invitation.name, invitation.role, public_text(key), key_id(key))
    enrol_node(tx, node, now=now)
    spend(tx, code, now=now)
    enrolled = Statement(
        id=fact_id,
        kind=NODE_ENROLLED,
        subject=f"node/{node.slug}",
        body={
            "node": node.slug,
            "name": node.name,
            "public_key": node.public_key,
            "key_id": node.key_id,
            "role": node.role,
            "phone": phone,
            "reply_to": reply_to,
        },
    )
    return LetIn(node, own_log.write(tx, [enrolled], now=now))
