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


class HashAtDocument(_Document):
    """GET /v1/feed/hash?at=P: the cumulative hash at a position; none when the feed does not reach so far."""

    epoch: str
    position: Annotated[int, Field(ge=0)]
    feed_hash: Hash | None


class GiveBack(_Document):
    """POST /v1/nodes/{node}/give-back: envelopes of any logs that the hub may have lost, in any order."""

    envelopes: Annotated[tuple[WireEnvelope, ...], Field(min_length=1, max_length=MOST_ENVELOPES_A_PUSH)]


class GivenBack(_Document):
    """What became of each, by envelope hash. `unknown_key` may be offered again: the key's enrolment may come yet.

    `position` is the feed's after it, 0 when nothing moved; `epoch` is the one in which it was settled.
    """

    settled: tuple[Hash, ...]
    unknown_key: tuple[Hash, ...]
    refused: tuple[Hash, ...]
    position: Annotated[int, Field(ge=0)]
    epoch: str


class Alert(_Document):
    """POST /v1/nodes/{node}/alerts: one fact that blocks, ahead of what was written before it. Answered by GivenBack."""

    envelope: WireEnvelope


class BeatDocument(_Document):
    """POST /v1/nodes/{node}/beat: where a node stands. `beat` is this request's id: the same one heard twice is one beat.

    `digest` is that of all its standings at `position`, given only when it has nothing unsent.
    """

    beat: UUID
    inc: UUID
    parent: UUID | None
    seq: Annotated[int, Field(ge=0)]
    epoch: Annotated[str, StringConstraints(max_length=64)]
    position: Annotated[int, Field(ge=0, le=2**62)]
    feed_hash: Hash
    ticket: Annotated[str, StringConstraints(max_length=128)]
    digest: Hash | None = None


class BeatAnswerDocument(_Document):
    """The next ticket, and where the hub stands: signed, so that a node can show the hub later that it once stood there."""

    verdict: Literal["ok", "stale", "clone"]
    inc: UUID
    ticket: str
    epoch: str
    head: Annotated[int, Field(ge=0)]
    feed_hash: Hash
    digest: Literal["agree", "differ", "unknown"]
    hub_time: AwareDatetime


class EnrolAgain(_Document):
    """POST /v1/enrol/again: the hub's own fact of this node's enrolment, for a hub that has forgotten it."""

    envelope: WireEnvelope


class HubAhead(_Document):
    """POST /v1/feed/ahead: a beat's answer as the hub signed it, beyond what the hub holds now."""

    body: Annotated[str, StringConstraints(max_length=4096)]
    signature: Annotated[str, StringConstraints(max_length=128)]


class HubAheadAnswer(_Document):
    """Whether this proves that the hub was rolled back. Then it serves nothing until its operator acts."""

    is_rolled_back: bool
    epoch: str
    head: Annotated[int, Field(ge=0)]


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
