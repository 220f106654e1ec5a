"""Envelopes that come another way than their node's next push: given back after a restore, or ahead of their log.

Believed by their signatures alone, whoever brings them. Must never judge what a fact says, beyond whether it blocks.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from typing import Literal

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from pydantic import ValidationError

from eventlog.chain import Link
from eventlog.envelope import Forged, Malformed, Sealed, verify
from eventlog.keys import public_key
from eventlog.wire import Alert, GiveBack
from network.store.database import Database
from network.store.log import PostgresHubLog
from network.store.nodes import HUB, NODE_ENROLLED, Node, find_node
from network.store.recorder import EnvelopeRecorder
from sync.at_hub import TakenBack, take_back
from sync.opening import link_of


class NotTaken(Exception):
    """What was sent cannot be taken; `why` is its kind, the message says more."""

    def __init__(
        self, why: Literal["malformed", "forged", "not-a-block", "withdrawn", "superseded"], detail: str
    ) -> None:
        super().__init__(detail)
        self.why = why


def envelopes_given_back(body: bytes) -> tuple[Sealed, ...]:
    """The envelopes of a give-back. Raises NotTaken."""
    try:
        return tuple(one.sealed() for one in GiveBack.model_validate_json(body).envelopes)
    except (ValidationError, ValueError):
        raise NotTaken("malformed", "not a batch of envelopes") from None


def alerting_envelope(body: bytes, node: Node) -> Sealed:
    """The one envelope of an alert, by the node that it is of. Raises NotTaken."""
    try:
        sealed = Alert.model_validate_json(body).envelope.sealed()
        link = link_of(sealed)
    except (ValidationError, ValueError, Malformed):
        raise NotTaken("malformed", "not one envelope") from None
    place = link.envelope.place
    if place.node != node.slug:
        raise NotTaken("forged", f"an envelope of {place.node}, sent by {node.slug}")
    if link.envelope.event.effect != "block":
        raise NotTaken("not-a-block", "only a fact that blocks may overtake its log")
    return sealed


def take_returned(
    database: Database,
    recorder: EnvelopeRecorder,
    giver: str,
    sealed: Sequence[Sealed],
    *,
    now: dt.datetime,
    only_blocks: bool = False,
) -> TakenBack:
    """Take envelopes in one transaction."""
    with database.transaction() as tx:
        return take_back(PostgresHubLog(tx, recorder), giver, sealed, now=now, only_blocks=only_blocks)


def enrol_again(
    database: Database,
    recorder: EnvelopeRecorder,
    sealed: Sealed,
    hub_key: Ed25519PublicKey,
    check_ticket: Callable[[str, Ed25519PublicKey], None],
    *,
    now: dt.datetime,
) -> tuple[Node, TakenBack]:
    """Register a node by the hub's own fact of its enrolment, which this database has lost. Raises NotTaken.

    `check_ticket` gets the node's name and the key that the fact gives it: whoever asks must hold that key.
    """
    with database.transaction() as tx:
        shared = PostgresHubLog(tx, recorder)
        link = _enrolment(sealed, lambda key_id: shared.key(HUB, key_id) or hub_key)
        slug, key_id = str(link.envelope.event.body.get("node")), str(link.envelope.event.body.get("key_id"))
        check_ticket(slug, _key_of(link))
        if shared.is_revoked(slug, key_id):
            raise NotTaken("withdrawn", f"this key of {slug} was withdrawn")
        taken = take_back(shared, slug, [sealed], now=now)
        shared.register(link)
        node = find_node(tx, slug)
        if node is None or node.key_id != key_id:
            raise NotTaken("superseded", f"{slug} was enrolled with another key since")
    return node, taken


def _enrolment(sealed: Sealed, key_of_hub: Callable[[str], Ed25519PublicKey]) -> Link:
    try:
        link = link_of(sealed)
    except Malformed as wrong:
        raise NotTaken("malformed", str(wrong)) from None
    place, event = link.envelope.place, link.envelope.event
    if place.node != HUB or event.kind != NODE_ENROLLED:
        raise NotTaken("malformed", "this is not the hub's fact of an enrolment")
    try:
        verify(sealed, key_of_hub(place.key_id))
    except Forged:
        raise NotTaken("forged", "this hub did not sign that enrolment") from None
    return link


def _key_of(link: Link) -> Ed25519PublicKey:
    try:
        return public_key(str(link.envelope.event.body.get("public_key")))
    except ValueError:
        raise NotTaken("malformed", "the enrolment names no key") from None
