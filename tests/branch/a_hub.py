"""A hub in this process: the protocol core over storage in memory, behind the real client, with real keys.

Backups and restores are copies of its state. It decides nothing that the core does not decide.
"""

from __future__ import annotations

import base64
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from uuid import UUID

import httpx
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pydantic import BaseModel
from tests.branch.a_shop import Clock, Shop, open_shop
from tests.simulation.memory_hub import HubState, MemoryHubLog

from branch.enrolment import write_key
from branch.settings import ShopSettings
from eventlog.answer import check_answer, sign_answer
from eventlog.chain import LOG_OPENED, Head, links
from eventlog.envelope import Place, Sealed, seal
from eventlog.event import NO_HASH, Effect, Event, Seen
from eventlog.hub_client import HubClient
from eventlog.keys import key_id, public_key, public_text
from eventlog.wire import (
    SIGNED_HEADER,
    Alert,
    BeatAnswerDocument,
    BeatDocument,
    EnrolAgain,
    Enrolled,
    FeedItem,
    FeedPage,
    GiveBack,
    GivenBack,
    HashAtDocument,
    HeadDocument,
    HubAhead,
    HubAheadAnswer,
    Push,
    PushAnswer,
    PushRefusal,
)
from sync import at_hub, beats
from sync.beats import Beat
from sync.opening import link_of

HUB = "hub"


@dataclass
class AHub:
    """One hub, whatever database it has at the moment."""

    clock: Clock
    key: Ed25519PrivateKey = field(default_factory=Ed25519PrivateKey.generate)
    state: HubState = field(default_factory=lambda: HubState(epoch="e1"))
    inc: UUID = field(default_factory=uuid.uuid4)
    digest: str = "unknown"
    is_stopped: bool = False
    """It was shown that it was rolled back, and waits for its operator."""
    asked: list[str] = field(default_factory=list)
    loses_answers_to: str = ""
    """A part of a path whose answers get lost on the way."""

    def __post_init__(self) -> None:
        self.state.keys[HUB, key_id(self.key.public_key())] = self.key.public_key()
        self.says(LOG_OPENED, f"node/{HUB}", {"parent": None, "reason": "first"})

    @property
    def log(self) -> MemoryHubLog:
        """Its storage."""
        return MemoryHubLog(self.state, hub_node=HUB)

    @property
    def kinds(self) -> list[str]:
        """What stands in the feed."""
        return [row.link.envelope.event.kind for row in self.state.feed]

    def says(self, kind: str, subject: str, body: Mapping[str, object], *, role: str = HUB) -> None:
        """A fact of the hub's own."""
        now = self.clock.now()
        _, seq, before = self.state.heads.get(self.inc, (HUB, 0, NO_HASH))
        event = Event.model_validate(
            {
                "id": uuid.uuid4(), "kind": kind, "v": 1, "effect": Effect.NEUTRAL, "subject": subject, "body": body,
                "performed_on": now.date(), "at": now, "seen": Seen(), "actor": HUB, "role": role, "software": "test",
            }
        )  # fmt: skip
        place = Place(HUB, key_id(self.key.public_key()), self.inc, seq + 1, before)
        at_hub.append(self.log, [link_of(seal(event, place, recorded_at=now, key=self.key))], now=now)

    def lets_in(self, node: str, key: Ed25519PrivateKey) -> None:
        """Enrol a node: its key is known, and the feed says so."""
        public = key.public_key()
        self.state.keys[node, key_id(public)] = public
        body = {
            "node": node,
            "key_id": key_id(public),
            "public_key": public_text(public),
            "name": node.title(),
        }
        self.says("node.enrolled", f"node/{node}", body)

    def restored_from(self, backup: HubState) -> None:
        """An older database, and nobody has noticed."""
        self.state = backup.copy()

    def gets_a_new_epoch(self, epoch: str) -> None:
        """What the operator does after a restore."""
        self.log.set_epoch(epoch, now=self.clock.now())
        self.is_stopped = False
        self.inc = uuid.uuid4()
        self.says(LOG_OPENED, f"node/{HUB}", {"parent": None, "reason": "restore"})

    def __call__(self, request: httpx.Request) -> httpx.Response:
        path = request.url.path
        self.asked.append(f"{request.method} {path.rpartition('/')[2]}")
        if self.is_stopped and not path.endswith("/ahead"):
            return httpx.Response(503)
        answer = self._answer(request, path)
        if self.loses_answers_to and self.loses_answers_to in path:
            raise httpx.ReadError("the line broke", request=request)
        return answer

    def _answer(self, request: httpx.Request, path: str) -> httpx.Response:
        node, body = path.split("/")[3] if path.startswith("/v1/nodes/") else "", request.content
        if node and not any(one == node for one, _ in self.state.keys):
            problem = {"title": "The ticket is refused", "detail": "no enrolled node holds this key"}
            return self._signed(problem, 401)
        match request.method, path.rpartition("/")[2]:
            case "GET", "feed":
                return self._page(request.url.params)
            case "GET", "hash":
                at = int(request.url.params["at"])
                found = self.log.feed_hash_at(at)
                return self._signed(HashAtDocument(epoch=self.state.epoch, position=at, feed_hash=found))
            case "POST", "events":
                return self._push(node, [one.sealed() for one in Push.model_validate_json(body).envelopes])
            case "POST", "give-back":
                return self._take(
                    node, [one.sealed() for one in GiveBack.model_validate_json(body).envelopes]
                )
            case "POST", "alerts":
                return self._take(node, [Alert.model_validate_json(body).envelope.sealed()], only_blocks=True)
            case "POST", "beat":
                return self._beat(node, BeatDocument.model_validate_json(body))
            case "POST", "again":
                return self._enrol_again(EnrolAgain.model_validate_json(body).envelope.sealed())
            case "POST", "ahead":
                return self._ahead(HubAhead.model_validate_json(body))
            case "PUT", _:
                return httpx.Response(204)
            case _:
                return httpx.Response(500)

    def _page(self, asked: Mapping[str, str]) -> httpx.Response:
        after, end, now = int(asked["after"]), self.log.feed_end(), self.clock.now()
        is_other = asked["epoch"] not in ("none", end.epoch)
        if after > end.position and not is_other:
            return self._signed({"title": "The reader is ahead of the feed", "detail": ""}, 409)
        rows = () if is_other else self.log.sealed_after(after, int(asked["limit"]))
        page = FeedPage(
            epoch=end.epoch,
            after=after,
            head=end.position,
            items=tuple(
                FeedItem(
                    position=position,
                    received_at=received_at,
                    raw=sealed.raw.decode(),
                    signature=base64.b64encode(sealed.signature).decode(),
                )
                for position, received_at, sealed, _ in rows
            ),
            feed_hash=rows[-1][3] if rows else self.log.feed_hash_at(after) or NO_HASH,
            hub_time=now,
        )
        return self._signed(page)

    def _push(self, node: str, run: Sequence[Sealed]) -> httpx.Response:
        appended = at_hub.append(self.log, links(run), now=self.clock.now())
        head = HeadDocument.of(appended.head)
        if appended.verdict.answer in ("accepted", "same"):
            return self._signed(
                PushAnswer(answer="accepted", head=head, position=0, hub_time=self.clock.now())
            )
        refusal = PushRefusal(
            type="about:blank", title="No", status=409, answer=appended.verdict.answer, head=head
        )
        return self._signed(refusal, 409)

    def _take(self, node: str, run: Sequence[Sealed], *, only_blocks: bool = False) -> httpx.Response:
        taken = at_hub.take_back(self.log, node, run, now=self.clock.now(), only_blocks=only_blocks)
        return self._signed(
            GivenBack(
                settled=taken.settled, unknown_key=taken.unknown_key, refused=taken.refused,
                position=taken.position, epoch=self.state.epoch,
            )
        )  # fmt: skip

    def _beat(self, node: str, said: BeatDocument) -> httpx.Response:
        beat = Beat(**said.model_dump(exclude={"digest"}))
        answer = beats.take_beat(self.log, node, beat, ticket=uuid.uuid4().hex)
        if answer.verdict == "clone":
            name = next(key for one, key in self.state.keys if one == node)
            body = {"node": node, "key_id": name, "trusted": [], "reason": "two nodes with one key"}
            self.says("node.suspected", f"node/{node}", body)
        end = self.log.feed_end()
        return self._signed(
            BeatAnswerDocument.model_validate(
                {
                    "verdict": answer.verdict, "inc": answer.inc, "ticket": answer.ticket, "epoch": end.epoch,
                    "head": end.position, "feed_hash": end.feed_hash,
                    "digest": self.digest if said.digest else "unknown", "hub_time": self.clock.now(),
                }
            )
        )  # fmt: skip

    def _enrol_again(self, sealed: Sealed) -> httpx.Response:
        link = link_of(sealed)
        at_hub.take_back(self.log, HUB, [sealed], now=self.clock.now())
        self.log.register(link)
        node = str(link.envelope.event.body["node"])
        return self._signed(
            Enrolled(
                node=node, name=node, epoch=self.state.epoch, hub_node=HUB,
                hub_public_key=public_text(self.key.public_key()),
            )
        )  # fmt: skip

    def _ahead(self, shown: HubAhead) -> httpx.Response:
        check_answer(shown.body.encode(), shown.signature, self.key.public_key())
        once, end = BeatAnswerDocument.model_validate_json(shown.body), self.log.feed_end()
        self.is_stopped = once.epoch == end.epoch and self.log.feed_hash_at(once.head) != once.feed_hash
        return self._signed(
            HubAheadAnswer(is_rolled_back=self.is_stopped, epoch=end.epoch, head=end.position)
        )

    def _signed(self, document: BaseModel | Mapping[str, object], status: int = 200) -> httpx.Response:
        if isinstance(document, BaseModel):
            body = document.model_dump_json().encode()
        else:
            body = httpx.Response(200, json=dict(document)).content
        return httpx.Response(status, content=body, headers={SIGNED_HEADER: sign_answer(body, self.key)})


def shop_at(hub: AHub, folder: Path, slug: str) -> Shop:
    """A new shop that the hub has let in, with staff, and a line to it."""
    data = folder / slug
    data.mkdir()
    key = Ed25519PrivateKey.generate()
    write_key(data, key)
    settings = ShopSettings(
        node=slug, name=slug.title(), hub_url="http://127.0.0.1:9", hub_node=HUB,
        hub_public_key=public_text(hub.key.public_key()),
    )  # fmt: skip
    (data / "shop.json").write_text(settings.model_dump_json())
    hub.lets_in(slug, key)
    return connect(open_shop(data, hub.clock, take_on_staff=True), hub)


def connect(shop: Shop, hub: Callable[[httpx.Request], httpx.Response]) -> Shop:
    """Give a shop its line to this hub; nothing counts as heard before it was."""
    node = shop.node
    node.sync.link.heard_at = None
    node.sync.client = HubClient(
        httpx.AsyncClient(transport=httpx.MockTransport(hub)),
        base_url=node.settings.hub_url,
        node=node.settings.node,
        key=node.store.author.key,
        hub_public_key=public_key(node.settings.hub_public_key),
        clock=shop.clock.now,
    )
    return shop


def head_of(shop: Shop) -> Head:
    """Where a shop's own log stands."""
    with shop.node.store.writing() as tx:
        here = tx.node()
    return Head(here.inc, here.seq, here.hash)
