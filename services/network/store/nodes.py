"""Who may speak to the hub: nodes, their keys, and the one-time codes that let a new one in.

Owns `node`, `invitation` and `quarantine`. Must never make a code or read a clock.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass
from typing import Literal

from network.store.database import Tx

Role = Literal["hub", "branch", "reader"]

node_by_slug = "select slug, name, role, public_key, key_id, revoked_at from node where slug = %s"
every_node = "select slug, name, role, public_key, key_id, revoked_at from node order by slug"
put_node = """
insert into node (slug, name, role, public_key, key_id, enrolled_at)
values (%(slug)s, %(name)s, %(role)s, %(public_key)s, %(key_id)s, %(at)s)
on conflict (slug) do update set name = excluded.name, role = excluded.role, public_key = excluded.public_key,
    key_id = excluded.key_id, enrolled_at = excluded.enrolled_at, revoked_at = null
"""
add_invitation = """
insert into invitation (code_sha256, slug, name, role, expires_at) values (%s, %s, %s, %s, %s)
"""
lock_invitation = """
select slug, name, role, expires_at, used_at from invitation where code_sha256 = %s for update
"""
spend_invitation = "update invitation set used_at = %s where code_sha256 = %s"
put_aside = """
insert into quarantine (node, reason, detail, raw, raw_sha256, received_at) values (%s, %s, %s, %s, %s, %s)
on conflict (node, raw_sha256) do nothing
"""


@dataclass(frozen=True, slots=True)
class Node:
    """An enrolled node. `is_revoked` nodes may not speak."""

    slug: str
    name: str
    role: Role
    public_key: str
    key_id: str
    is_revoked: bool = False


@dataclass(frozen=True, slots=True)
class Invitation:
    """A place in the network, offered to whoever brings the code."""

    slug: str
    name: str
    role: Role
    expires_at: dt.datetime
    is_used: bool = False


def find_node(tx: Tx, slug: str) -> Node | None:
    """The node of this name."""
    row = tx.execute(node_by_slug, (slug,), prepare=True).fetchone()
    return None if row is None else _node(row)


def all_nodes(tx: Tx) -> tuple[Node, ...]:
    """Every node that was ever enrolled."""
    return tuple(_node(row) for row in tx.execute(every_node))


def enrol_node(tx: Tx, node: Node, *, now: dt.datetime) -> None:
    """Let a node in, or give a known one its new key."""
    tx.execute(
        put_node,
        {
            "slug": node.slug, "name": node.name, "role": node.role,
            "public_key": node.public_key, "key_id": node.key_id, "at": now,
        },
    )  # fmt: skip


def invite(tx: Tx, code: str, invitation: Invitation) -> None:
    """Offer a place; only the SHA-256 of the code is kept (the code is random and long, so no salt is needed)."""
    tx.execute(
        add_invitation,
        (_digest(code), invitation.slug, invitation.name, invitation.role, invitation.expires_at),
    )


def take_invitation(tx: Tx, code: str) -> Invitation | None:
    """The invitation of a code, locked until the transaction ends."""
    row = tx.execute(lock_invitation, (_digest(code),)).fetchone()
    if row is None:
        return None
    return Invitation(row["slug"], row["name"], row["role"], row["expires_at"], row["used_at"] is not None)


def spend(tx: Tx, code: str, *, now: dt.datetime) -> None:
    """Mark a code as used."""
    tx.execute(spend_invitation, (now, _digest(code)))


def quarantine(tx: Tx, node: str, reason: str, detail: str, raw: bytes, *, now: dt.datetime) -> None:
    """Keep what was refused, as it came; the same bytes are kept once."""
    tx.execute(put_aside, (node, reason, detail[:2000], raw, hashlib.sha256(raw).digest(), now))


def _digest(code: str) -> bytes:
    return hashlib.sha256(code.strip().encode()).digest()


def _node(row: dict[str, object]) -> Node:
    role = row["role"]
    assert role == "hub" or role == "branch" or role == "reader", role
    return Node(
        slug=str(row["slug"]),
        name=str(row["name"]),
        role=role,
        public_key=str(row["public_key"]),
        key_id=str(row["key_id"]),
        is_revoked=row["revoked_at"] is not None,
    )
