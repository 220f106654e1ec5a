"""Who may speak to the hub: nodes, every key they ever had, and the one-time codes that let a new one in.

Owns `node`, `node_key`, `invitation` and `quarantine`. Must never make a code or read a clock.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass
from typing import Literal

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from eventlog.chain import Link
from eventlog.keys import public_key
from network.store.database import Tx

HUB = "hub"
NODE_ENROLLED = "node.enrolled"
KEY_REVOKED = "node.key_revoked"

Role = Literal["hub", "branch", "reader"]

node_by_slug = "select slug, name, role, public_key, key_id, revoked_at from node where slug = %s"
every_node = "select slug, name, role, public_key, key_id, revoked_at from node order by slug"
put_node = """
insert into node (slug, name, role, public_key, key_id, enrolled_at)
values (%(slug)s, %(name)s, %(role)s, %(public_key)s, %(key_id)s, %(at)s)
on conflict (slug) do update set name = excluded.name, role = excluded.role, public_key = excluded.public_key,
    key_id = excluded.key_id, enrolled_at = excluded.enrolled_at, revoked_at = null
"""
put_key = """
insert into node_key (node, key_id, public_key, enrolled_at)
values (%(slug)s, %(key_id)s, %(public_key)s, %(at)s)
on conflict (node, key_id) do update set public_key = excluded.public_key where node_key.public_key = ''
"""
# By the hub's own clock: an enrolment that comes back does not put an older key before a newer one.
put_node_if_newer = """
insert into node (slug, name, role, public_key, key_id, enrolled_at, revoked_at)
select %(slug)s, %(name)s, %(role)s, k.public_key, k.key_id, %(at)s, k.revoked_at from node_key k
where k.node = %(slug)s and k.key_id = %(key_id)s
on conflict (slug) do update set name = excluded.name, role = excluded.role, public_key = excluded.public_key,
    key_id = excluded.key_id, enrolled_at = excluded.enrolled_at, revoked_at = excluded.revoked_at
    where node.enrolled_at < excluded.enrolled_at and node.role <> 'hub'
"""
one_key = "select public_key, revoked_at from node_key where node = %s and key_id = %s"
revoke_kept_key = """
insert into node_key (node, key_id, public_key, enrolled_at, revoked_at) values (%(node)s, %(key_id)s, '', %(at)s, %(at)s)
on conflict (node, key_id) do update set revoked_at = coalesce(node_key.revoked_at, excluded.revoked_at)
"""
revoke_node = (
    "update node set revoked_at = %(at)s where slug = %(node)s and key_id = %(key_id)s and revoked_at is null"
)
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
    row = {
        "slug": node.slug, "name": node.name, "role": node.role,
        "public_key": node.public_key, "key_id": node.key_id, "at": now,
    }  # fmt: skip
    tx.execute(put_node, row)
    tx.execute(put_key, row)


def key_of(tx: Tx, slug: str, key_id: str) -> Ed25519PublicKey | None:
    """A key that was enrolled for this node, now or earlier, withdrawn or not."""
    row = tx.execute(one_key, (slug, key_id), prepare=True).fetchone()
    return None if row is None or not row["public_key"] else public_key(row["public_key"])


def is_key_revoked(tx: Tx, slug: str, key_id: str) -> bool:
    """Whether a key of this node was withdrawn."""
    row = tx.execute(one_key, (slug, key_id), prepare=True).fetchone()
    return row is not None and row["revoked_at"] is not None


def revoke_key(tx: Tx, slug: str, key_id: str, *, now: dt.datetime) -> None:
    """Withdraw a key: it stays known, so that what was signed with it can be read, and speaks for nobody."""
    asked = {"node": slug, "key_id": key_id, "at": now}
    tx.execute(revoke_kept_key, asked)
    tx.execute(revoke_node, asked)


def register(tx: Tx, link: Link) -> None:
    """Take what a fact of the hub itself says about nodes and keys. Whoever calls has checked its signature."""
    event, at = link.envelope.event, link.envelope.recorded_at
    slug, key_id = event.body.get("node"), event.body.get("key_id")
    if link.envelope.place.node != HUB or not (isinstance(slug, str) and isinstance(key_id, str)):
        return
    if event.kind == KEY_REVOKED:
        revoke_key(tx, slug, key_id, now=at)
        return
    name, role, text = (event.body.get(member) for member in ("name", "role", "public_key"))
    if event.kind != NODE_ENROLLED or not isinstance(text, str) or not isinstance(name, str):
        return
    if role == "branch" or role == "reader":
        row = {"slug": slug, "name": name, "role": role, "public_key": text, "key_id": key_id, "at": at}
        # The key may have been withdrawn by a fact that came back sooner than this one.
        tx.execute(put_key, row)
        tx.execute(put_node_if_newer, row)


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
