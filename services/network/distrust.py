"""Keys that are not believed any more: withdrawn by the operator, or seen in two places at once.

Owns the hub's facts about them, each with the heads up to which the node's log is beyond doubt. What blocks counts
whoever signed it; so nothing here ever takes a block away.
"""

from __future__ import annotations

import datetime as dt
from uuid import UUID

from pydantic import JsonValue

from eventlog.envelope import Malformed, Sealed
from network.own_log import OwnLog, Statement
from network.store.database import Tx
from network.store.nodes import HUB, KEY_REVOKED, find_node, revoke_key
from network.store.turns import is_first_suspicion
from sync.at_hub import Appended
from sync.opening import link_of

NODE_SUSPECTED = "node.suspected"
SUSPICION_LIFTED = "node.suspicion_lifted"
LONGEST_REASON = 200

heads_of_node = "select inc, seq from log_head where node = %s and seq > 0 order by heard_at, inc"
openings_of_node = """
select s.state from stored_events s join log_head h on h.inc = s.originator_id
where h.node = %s and s.originator_version = 1
"""
hubs_facts_about = """
select f.event_id, f.kind, f.signature, f.state from numbered f
where f.subject = %s and f.node = %s and f.kind = any(%s) order by f.position
"""


class NotDone(Exception):
    """The command cannot be carried out; the message says why."""


def revoke(tx: Tx, own_log: OwnLog, slug: str, reason: str, *, fact_id: UUID, now: dt.datetime) -> Appended:
    """Withdraw a node's key: what its log held until now stays good; from here on only what blocks is taken from it."""
    node = find_node(tx, slug)
    if node is None or node.role == "hub":
        raise NotDone(f"no node is called {slug}")
    if node.is_revoked:
        raise NotDone(f"the key of {slug} was withdrawn before")
    body = _body(node.slug, node.key_id, _heads(tx, slug), _reason(reason))
    revoke_key(tx, slug, node.key_id, now=now)
    return own_log.write(tx, [Statement(fact_id, KEY_REVOKED, f"node/{slug}", body)], now=now)


def suspect(
    tx: Tx,
    own_log: OwnLog,
    slug: str,
    key_id: str,
    *,
    alive: UUID,
    present: UUID,
    fact_id: UUID,
    now: dt.datetime,
) -> Appended | None:
    """Two incarnations of a node live at once: say so once, with the cut up to which both are one. None: said before."""
    if not is_first_suspicion(tx, slug, alive, present, fact_id, now=now):
        return None
    left_at = _where_they_were_left(tx, slug)
    trusted = {
        inc: min(seq, left_at.get(inc, seq)) for inc, seq in _heads(tx, slug).items() if inc != present
    }
    body = _body(slug, key_id, trusted, "two nodes spoke with one key")
    return own_log.write(tx, [Statement(fact_id, NODE_SUSPECTED, f"node/{slug}", body)], now=now)


def lift(tx: Tx, own_log: OwnLog, slug: str, finding: str, *, fact_id: UUID, now: dt.datetime) -> Appended:
    """A person has looked: the suspicions of this node that stand now hold no longer."""
    standing: list[JsonValue] = [str(one) for one in _standing_suspicions(tx, slug)]
    if not standing:
        raise NotDone(f"nothing is held against {slug}")
    body: dict[str, JsonValue] = {"node": slug, "suspicions": standing, "finding": _reason(finding)}
    return own_log.write(tx, [Statement(fact_id, SUSPICION_LIFTED, f"node/{slug}", body)], now=now)


def _standing_suspicions(tx: Tx, slug: str) -> list[UUID]:
    rows = tx.execute(hubs_facts_about, (f"node/{slug}", HUB, [NODE_SUSPECTED, SUSPICION_LIFTED])).fetchall()
    lifted: set[str] = set()
    for row in rows:
        if row["kind"] == SUSPICION_LIFTED:
            event = link_of(Sealed(bytes(row["state"]), bytes(row["signature"]))).envelope.event
            named = event.body.get("suspicions")
            lifted |= {str(one) for one in named} if isinstance(named, list) else set()
    return [
        row["event_id"]
        for row in rows
        if row["kind"] == NODE_SUSPECTED and str(row["event_id"]) not in lifted
    ]


def _heads(tx: Tx, slug: str) -> dict[UUID, int]:
    return {row["inc"]: int(row["seq"]) for row in tx.execute(heads_of_node, (slug,))}


def _where_they_were_left(tx: Tx, slug: str) -> dict[UUID, int]:
    """For each incarnation that another one of the same node names as its parent, the number after which it was left."""
    left: dict[UUID, int] = {}
    for row in tx.execute(openings_of_node, (slug,)):
        try:
            parent = link_of(Sealed(bytes(row["state"]), b"")).envelope.event.body.get("parent")
            if isinstance(parent, dict):
                inc, seq = UUID(str(parent["inc"])), int(str(parent["seq"]))
                left[inc] = min(seq, left.get(inc, seq))
        except (Malformed, KeyError, ValueError):
            continue  # It names nothing that could be trusted, so it sets no cut.
    return left


def _body(slug: str, key_id: str, trusted: dict[UUID, int], reason: str) -> dict[str, JsonValue]:
    cuts: list[JsonValue] = [{"inc": str(inc), "seq": seq} for inc, seq in trusted.items()]
    return {"node": slug, "key_id": key_id, "trusted": cuts, "reason": reason}


def _reason(text: str) -> str:
    said = text.strip()
    if not said or len(said) > LONGEST_REASON or not said.isprintable():
        raise NotDone(f"say why in 1 to {LONGEST_REASON} printable letters")
    return said
