"""What a fact looks like on the wire: event, envelope, chain, signature, feed.

Owns the bytes that are signed and the rules by which one follows another. Must never know what a
cylinder is, read a clock or open a socket (except `eventlog.hub_client`, which is handed its clock).
"""

from eventlog.envelope import Envelope, Forged, Malformed, Place, Sealed, read, seal, verify
from eventlog.event import Effect, Event, Seen

__all__ = [
    "Effect", "Envelope", "Event", "Forged", "Malformed", "Place", "Sealed", "Seen", "read", "seal", "verify",
]  # fmt: skip
