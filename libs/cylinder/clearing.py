"""Which kind of clear, by whom, lifts which kind of block. A table, and nothing else.

Whether somebody holds that role on that day, and whether their word counts, is for `proof`.
"""

from __future__ import annotations

from collections.abc import Mapping

from cylinder.facts import (
    CondemnationAnnulled,
    Condemned,
    HoldPlaced,
    HoldReleased,
    Recalled,
    Rejected,
    Remedied,
    RenderedUnusable,
    ReportedStolen,
    Requalified,
    StolenReportClosed,
    VisualFailed,
    VisualPassed,
)  # fmt: skip

INSPECTING = frozenset({"inspector"})
DECIDING = frozenset({"officer"})

CLEARED_BY: Mapping[str, Mapping[str, frozenset[str]]] = {
    HoldPlaced.KIND: {
        HoldReleased.KIND: INSPECTING,
        VisualPassed.KIND: INSPECTING,
        Requalified.KIND: INSPECTING,
    },
    VisualFailed.KIND: {VisualPassed.KIND: INSPECTING, Requalified.KIND: INSPECTING},
    Rejected.KIND: {Requalified.KIND: INSPECTING},
    # 49 CFR 180.203: "may not be restored by repair, rebuilding, requalification, or any other procedure". What is
    # annulled is a record that was never about this metal, by two persons and after a day in public: see `annulment`.
    Condemned.KIND: {CondemnationAnnulled.KIND: DECIDING},
    RenderedUnusable.KIND: {},
    Recalled.KIND: {Remedied.KIND: INSPECTING},
    ReportedStolen.KIND: {StolenReportClosed.KIND: DECIDING},
}
"""By kind of block, then by kind of clear, the roles. A block of an unknown kind is lifted by nothing."""

AT_HUB_ONLY = frozenset({CondemnationAnnulled.KIND, StolenReportClosed.KIND})
"""Clears that count only as the hub's own facts: a shop does not speak for the network."""


def may_clear(block_kind: str, clear_kind: str, role: str) -> bool:
    """Whether a clear of this kind by this role can lift a block of this kind at all."""
    return role in CLEARED_BY.get(block_kind, {}).get(clear_kind, frozenset())
