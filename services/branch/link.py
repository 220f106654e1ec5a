"""How the line to the hub stands, and when this shop's news of the network counts as heard.

Ages, not lamps. Must never call news heard while the node has forgotten what it knew, or may not be alone with its key.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

from sync.standpoint import Standpoint


@dataclass
class Link:
    """How the line to the hub stands, for pages and metrics."""

    heard_at: dt.datetime | None = None
    state: Literal["checking", "live", "cut"] = "checking"
    trouble: str = ""
    hub_head: int = 0
    ready_file: str = ""
    """How the first reading from the hub's ready file goes, or why it was thrown away, in words."""
    has_ended: bool = False
    """The loops ended by a fault: only a new start brings the line back."""
    standings_differ: bool = False
    """The hub folds other standings from the same facts: until both agree, nothing here is to be taken at its word."""


def news_heard_at(here: Standpoint | None, link: Link) -> dt.datetime | None:
    """When this shop last knew all that the network knew; None when that is in doubt, and then nothing is filled."""
    if here is None or why_in_doubt(here, link):
        return None
    return link.heard_at or here.heard_at


def why_in_doubt(here: Standpoint, link: Link) -> str:
    """In words for the people at the counter, why what this node knows may not be all; empty when it may count."""
    if here.is_suspected:
        return (
            "The network has heard two nodes speak with this shop's key. What is recorded here still reaches other "
            "shops, but nothing is filled or passed until the shop is enrolled anew."
        )
    if here.relearning:
        return (
            f"{_RELEARNING.get(here.relearning, _RELEARNING['restore'])} It may have forgotten what others condemned: "
            "nothing is filled until it has read the network's records to the end. That needs the line, and nothing else."
        )
    if link.standings_differ:
        return (
            "This node and the network draw different conclusions from the same records. Nothing is filled until they "
            "agree again. Ring whoever runs the network."
        )
    return ""


_RELEARNING = {
    "restore": "This node's database is older than what it once knew: it came from a backup.",
    "fork": "The network holds other records in this shop's name than this node does.",
    "lost": "This shop's earlier log is lost, and this node began without it.",
    "key-rotate": "This shop was enrolled anew.",
    "no marker": "The marker beside this node's database is missing, so nobody can tell whether it came from a backup.",
}
