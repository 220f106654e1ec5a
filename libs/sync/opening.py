"""Reading envelopes once. Every node that meets the same bytes reads the same, so the reading is kept for a while."""

from __future__ import annotations

from functools import lru_cache

from eventlog.chain import Link
from eventlog.envelope import Sealed, read

MOST_KEPT = 8192


@lru_cache(maxsize=MOST_KEPT)
def link_of(sealed: Sealed) -> Link:
    """The envelope with its hash. Raises Malformed. What is returned is frozen and may be shared."""
    return Link(sealed=sealed, envelope=read(sealed.raw), hash=sealed.hash)
