"""The officer's part in taking back a record of the wrong cylinder: what is looked up, and what is written.

Owns no table: it reads what the cylinders projection filed, decides by `cylinder.decide.annul`, and writes to the hub's
own log, all in the caller's transaction. Must never judge by itself.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from uuid import UUID

from cylinder.basis import Basis
from cylinder.decide.annul import Proposal, annul, open_condemnations, open_proposals, propose, still_missing
from cylinder.facts import AnnulmentProposed
from cylinder.gather import gather
from cylinder.recorded import NewFact, Recorded, actor_subject
from eventlog.event import Effect
from network.own_log import OwnLog, Statement
from network.projections.filing import Filing
from network.store.database import Tx
from sync.at_hub import Appended

known_key = "select 1 from feed where event_id = %s"


@dataclass(frozen=True, slots=True)
class Under:
    """One open proposal as a page shows it: with what is still missing for the officer who looks."""

    proposal: Proposal
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Condemnations:
    """The condemnations that stand against a cylinder, and what is proposed about them."""

    standing: tuple[Recorded, ...]
    under: tuple[Under, ...]

    @property
    def unproposed(self) -> tuple[Recorded, ...]:
        """Those that nobody has said to be wrong."""
        proposed = {one.proposal.block.id for one in self.under}
        return tuple(one for one in self.standing if one.id not in proposed)


def condemnations_of(tx: Tx, cylinder_id: UUID, officer: str, *, now: dt.datetime) -> Condemnations:
    """What stands and what is under way."""
    basis = _basis(tx, cylinder_id, officer)
    return Condemnations(
        open_condemnations(basis),
        tuple(
            Under(one, tuple(reason.words for reason in still_missing(one, officer=officer, now=now)))
            for one in open_proposals(basis)
        ),
    )


def record_proposal(
    tx: Tx,
    own_log: OwnLog,
    cylinder_id: UUID,
    said: AnnulmentProposed,
    *,
    officer: str,
    key: UUID,
    now: dt.datetime,
) -> Appended | None:
    """Write the proposal; None when this form was recorded before. Raises Refused."""
    if _is_known(tx, key):
        return None
    new = propose(_basis(tx, cylinder_id, officer), said, officer=officer, now=now)
    return own_log.write(tx, [_statement(new, officer, key)], now=now)


def record_annulment(
    tx: Tx,
    own_log: OwnLog,
    cylinder_id: UUID,
    proposal: UUID,
    why: str,
    *,
    officer: str,
    key: UUID,
    now: dt.datetime,
) -> Appended | None:
    """Write the annulment; None when this form was recorded before. Raises Refused."""
    if _is_known(tx, key):
        return None
    new = annul(_basis(tx, cylinder_id, officer), proposal, why=why, officer=officer, now=now)
    return own_log.write(tx, [_statement(new, officer, key)], now=now)


def _basis(tx: Tx, cylinder_id: UUID, officer: str) -> Basis:
    filing = Filing(tx, "cylinder")
    found = gather(cylinder_id, filing.look)
    return Basis.of(cylinder_id, found.facts, [*found.credentials, *filing.look(actor_subject(officer))])


def _is_known(tx: Tx, key: UUID) -> bool:
    return tx.execute(known_key, (key,)).fetchone() is not None


def _statement(new: NewFact, officer: str, key: UUID) -> Statement:
    fact = new.fact
    return Statement(
        key, fact.KIND, new.subject, fact.model_dump(mode="json"),
        effect=Effect(fact.EFFECT), actor=officer, role="officer", clears=new.clears, v=fact.V,
    )  # fmt: skip
