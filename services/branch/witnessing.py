"""The witness's line to the hub: read the last checkpoint, compare, cosign; ask for a proof when it is ahead.

Nothing here touches a fact, and no failure of it stops the counter or the feed.
"""

from __future__ import annotations

import asyncio
import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

import structlog
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from branch import witness
from branch.node import Node
from branch.store import BranchStore
from branch.store.rows import node_row
from branch.witness import Comparison, Gap, OwnTree, Verdict
from eventlog import checkpoint_client as hub_says
from eventlog.checkpoint import ConsistencyProof, SignedCheckpoint, cosign, parse_checkpoint
from eventlog.envelope import Forged, Malformed
from eventlog.hub_client import HubRefused, HubUnreachable
from eventlog.keys import public_key

log = structlog.get_logger("branch.witness")

LOOK_EVERY_S = 60.0
FIRST_LOOK_S = 5.0


def witness_of(node: Node) -> Witnessing:
    """The witness of a wired node: the hub's key is the one that the shop was enrolled with."""
    return Witnessing(
        store=node.store,
        hub=node.sync.client,
        hub_key=public_key(node.settings.hub_public_key),
        now=node.world.now,
        jitter=node.world.chance,
    )


@dataclass(frozen=True, slots=True)
class Witnessing:
    """The loop of one node. `jitter` draws from [0, 1), so that not all shops ask in one second."""

    store: BranchStore
    hub: hub_says.Asking
    hub_key: Ed25519PublicKey
    now: Callable[[], dt.datetime]
    jitter: Callable[[], float]

    async def run(self) -> None:
        """Look about once a minute, until cancelled. What goes wrong is logged, and tried again."""
        await asyncio.sleep(FIRST_LOOK_S * self.jitter())
        while True:
            try:
                await self.look()
            except (HubUnreachable, HubRefused) as wrong:
                log.info("no checkpoint", reason=str(wrong))
            except (Forged, Malformed) as wrong:
                log.error("checkpoint refused", reason=str(wrong))
            except Exception as wrong:
                log.error("bug", where="witness", error=type(wrong).__name__, exc_info=wrong)
            await asyncio.sleep(LOOK_EVERY_S * (0.8 + 0.4 * self.jitter()))

    async def look(self) -> Verdict | None:
        """One look; None when the hub has signed nothing yet. Raises HubUnreachable, HubRefused, Forged, Malformed."""
        found = await hub_says.latest(self.hub)
        if found is None:
            return None
        signed = found.checkpoint
        compared = await asyncio.to_thread(self._compare, signed)
        verdict = await asyncio.to_thread(self._keep, signed, compared)
        if verdict == "waits":
            verdict = await self._ask_for_proof(signed)
        if verdict == "agrees":
            await self._cosign()
        elif verdict in ("rewritten", "own copy"):
            log.error("evidence", verdict=verdict, position=parse_checkpoint(signed).position)
        return verdict

    async def _ask_for_proof(self, signed: SignedCheckpoint) -> Verdict:
        own = await asyncio.to_thread(self._own)
        said = parse_checkpoint(signed)
        if own is None or own.epoch != said.epoch or not 0 < own.edge.size < said.position:
            return "waits"
        proof = await hub_says.consistency(self.hub, own.edge.size, said.position)
        return await asyncio.to_thread(self._judge, signed, proof, own)

    async def _cosign(self) -> None:
        signed = await asyncio.to_thread(self._to_cosign)
        if signed is None:
            return
        author = self.store.author
        kept = await hub_says.cosign(self.hub, signed, cosign(signed, author.node, author.key))
        await asyncio.to_thread(self._cosigned, signed)
        log.info("cosigned", position=kept.position, cosignatures=kept.cosignatures)

    def _compare(self, signed: SignedCheckpoint) -> Comparison:
        with self.store.reading() as c:
            return witness.compare(c, signed, hub_key=self.hub_key)

    def _keep(self, signed: SignedCheckpoint, compared: Comparison) -> Verdict:
        with self.store.writing() as tx:
            return witness.keep(tx.c, signed, compared, hub_key=self.hub_key, now=self.now())

    def _own(self) -> OwnTree | None:
        """This node's tree over everything it has read."""
        with self.store.reading() as c:
            node = node_row(c)
            try:
                return None if node is None else witness.own_tree(c, node.feed, node.feed.position)
            except Gap as gap:
                log.error("own copy", reason=str(gap))
                return None

    def _judge(self, signed: SignedCheckpoint, proof: ConsistencyProof, own: OwnTree) -> Verdict:
        with self.store.writing() as tx:
            return witness.judge_proof(tx.c, signed, proof, own, hub_key=self.hub_key, now=self.now())

    def _to_cosign(self) -> SignedCheckpoint | None:
        with self.store.reading() as c:
            return witness.to_cosign(c)

    def _cosigned(self, signed: SignedCheckpoint) -> None:
        with self.store.writing() as tx:
            witness.cosigned(tx.c, signed)
