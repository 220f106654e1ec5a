"""The JSON documents that nodes and hub exchange. Pydantic at the edge; nothing is decided here."""

from __future__ import annotations

import base64
from typing import Annotated, Literal
from uuid import UUID

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints

from eventlog.card import is_phone
from eventlog.chain import Head
from eventlog.envelope import Sealed
from eventlog.event import Hash

MOST_ENVELOPES_A_PUSH = 500
MOST_BYTES_A_PUSH = 1024 * 1024
MOST_ITEMS_A_PAGE = 1000
SIGNED_HEADER = "filltrail-signature"
"""Response header: base64 Ed25519 signature of the hub over the body, so that a captive portal's 200 is no answer
(made and checked by `eventlog.answer`)."""
OWN_SEQ_HEADER = "filltrail-own-seq"
"""Request header of a push: the last seq of the node's own log, so that the hub can answer BEHIND to a restored node."""


def _phone_or_nothing(text: str) -> str:
    if text and not is_phone(text):
        raise ValueError("a phone number has digits, spaces, +, -, . and / and brackets")
    return text


class _Document(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class WireEnvelope(_Document):
    """Envelope bytes as text (they are UTF-8 JSON) and their signature as base64."""

    raw: Annotated[str, StringConstraints(max_length=65536)]
    signature: Annotated[str, StringConstraints(max_length=128)]

    @classmethod
    def of(cls, sealed: Sealed) -> WireEnvelope:
        """The wire form of a sealed envelope."""
        return cls(raw=sealed.raw.decode(), signature=base64.b64encode(sealed.signature).decode())

    def sealed(self) -> Sealed:
        """The exact bytes again. Raises ValueError when the signature is not base64."""
        return Sealed(raw=self.raw.encode(), signature=base64.b64decode(self.signature, validate=True))


class Push(_Document):
    """POST /v1/nodes/{node}/events: consecutive envelopes of one incarnation."""

    envelopes: Annotated[tuple[WireEnvelope, ...], Field(min_length=1, max_length=MOST_ENVELOPES_A_PUSH)]


class HeadDocument(_Document):
    """A head on the wire."""

    inc: UUID
    seq: Annotated[int, Field(ge=0)]
    hash: Hash

    @classmethod
    def of(cls, head: Head) -> HeadDocument:
        """The wire form of a head."""
        return cls(inc=head.inc, seq=head.seq, hash=head.hash)


class PushAnswer(_Document):
    """200: the run is committed up to `head`. Only this moves the branch's `acked`."""

    answer: Literal["accepted", "same"]
    head: HeadDocument
    position: Annotated[int, Field(ge=0)]
    hub_time: AwareDatetime


class PushRefusal(BaseModel):
    """409/422/429 as RFC 9457 problem details with two members of ours."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    type: str
    title: str
    status: int
    detail: str = ""
    answer: Literal["fork", "gap", "behind", "broken", "forged", "malformed", "quarantined", "busy"]
    head: HeadDocument | None = None
    retry_after_s: Annotated[float, Field(ge=0)] | None = None


class HeadNews(_Document):
    """GET /v1/feed/head, and each `head` and `beat` of the stream GET /v1/feed/bell: how far the feed has come."""

    epoch: str
    head: Annotated[int, Field(ge=0)]


class FeedItem(_Document):
    """One envelope at its position; `received_at` is the hub's clock."""

    position: Annotated[int, Field(ge=1)]
    received_at: AwareDatetime
    raw: str
    signature: str

    def sealed(self) -> Sealed:
        """The exact bytes again."""
        return WireEnvelope(raw=self.raw, signature=self.signature).sealed()


class FeedPage(_Document):
    """GET /v1/feed?epoch&after&limit: positions after+1 … after+len(items), and the hash at the last of them."""

    epoch: str
    after: Annotated[int, Field(ge=0)]
    head: Annotated[int, Field(ge=0)]
    items: tuple[FeedItem, ...]
    feed_hash: Hash
    hub_time: AwareDatetime


class Enrolment(_Document):
    """POST /v1/enrol: a one-time code for a key. `node` is the slug that the hub's operator named in the invitation."""

    code: Annotated[str, StringConstraints(min_length=8, max_length=64)]
    public_key: Annotated[str, StringConstraints(max_length=64)]
    phone: Annotated[str, StringConstraints(max_length=40), AfterValidator(_phone_or_nothing)] = ""
    reply_to: Annotated[str, StringConstraints(max_length=254, pattern=r"^[^\s<>,;:\"]*$")] = ""
    """How the shop's divers reach it; the shop's own public particulars, for receipts."""


class Enrolled(_Document):
    """What a newly enrolled node must remember, and pin."""

    node: str
    name: str
    epoch: str
    hub_node: str
    hub_public_key: str


class DiverCard(_Document):
    """PUT /v1/divers/{diver_ref}: name and address for the hub's vault. Never part of a fact."""

    diver_ref: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]{8,64}$")]
    name: Annotated[str, StringConstraints(min_length=1, max_length=120)]
    email: Annotated[str, StringConstraints(max_length=254)] | None = None
    phone: Annotated[str, StringConstraints(max_length=40)] | None = None


class DiverCards(_Document):
    """GET /v1/divers?q=…: what the vault found."""

    divers: tuple[DiverCard, ...]
