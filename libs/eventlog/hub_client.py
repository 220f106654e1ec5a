"""How a node speaks to the hub: push, pull, listen, and the vault of divers. The one outside call of `eventlog`.

Owns time-outs, size limits and the check that it was really the hub that answered. Must never retry, decide
what an answer means for the node, read a clock (it is handed one) or log what it carried.
"""

from __future__ import annotations

import asyncio
import datetime as dt
from collections.abc import AsyncGenerator, AsyncIterator, Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import httpx
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from pydantic import AwareDatetime, BaseModel, ConfigDict, ValidationError

from eventlog import ticket
from eventlog.answer import check_answer
from eventlog.envelope import Forged, Sealed
from eventlog.feed import Cursor
from eventlog.wire import (
    MOST_ITEMS_A_PAGE,
    OWN_SEQ_HEADER,
    SIGNED_HEADER,
    Alert,
    BeatAnswerDocument,
    BeatDocument,
    DiverCard,
    DiverCards,
    EnrolAgain,
    Enrolled,
    Enrolment,
    FeedPage,
    GiveBack,
    GivenBack,
    HashAtDocument,
    HeadNews,
    HubAhead,
    HubAheadAnswer,
    Push,
    PushAnswer,
    PushRefusal,
    WireEnvelope,
)

Document = TypeVar("Document", bound=BaseModel)

CALL_TIMEOUT = httpx.Timeout(10.0, connect=3.0)
BELL_SILENCE_S = 6.0  # The hub beats each 2 s; three missed beats mean that the line is dead.
MOST_BYTES_AN_ANSWER = 32 * 1024 * 1024
MOST_BYTES_A_BELL_LINE = 4096
DEFAULT_RETRY_AFTER_S = 1.0
PATIENCE_S = 60.0
PIECE_BYTES = 16 * 1024
"""An answer may take its time, on a thin line minutes; but each such piece of it comes within our patience."""
_AS_IT_IS = {"accept-encoding": "identity"}


class HubUnreachable(Exception):
    """No answer that the hub has signed: line down, time-out, captive portal, hub in trouble. Try again later."""

    def __init__(self, reason: str, *, retry_after_s: float | None = None) -> None:
        super().__init__(reason)
        self.reason = reason
        self.retry_after_s = retry_after_s


class HubRefused(Exception):
    """The hub understood and said no (RFC 9457 problem); the same request will be refused again."""

    def __init__(self, status: int, title: str, detail: str) -> None:
        super().__init__(f"{status} {title}: {detail}")
        self.status = status
        self.title = title
        self.detail = detail


@dataclass(frozen=True, slots=True)
class BeatHeard:
    """A beat's answer, and its bytes as the hub signed them: evidence of where the hub once stood."""

    answer: BeatAnswerDocument
    body: str
    signature: str


@dataclass(frozen=True, slots=True)
class Bell:
    """One line of the stream: `is_beat` when nothing moved and the hub only says that it is there."""

    news: HeadNews
    is_beat: bool


class _Problem(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")

    title: str = ""
    detail: str = ""
    hub_time: AwareDatetime | None = None


@dataclass(frozen=True, slots=True)
class _Answer:
    status: int
    body: bytes
    signature: str | None
    retry_after_s: float | None


class HubClient:
    """A node's line to its hub. `http` brings TLS and connection pooling; it is closed by whoever made it."""

    def __init__(
        self,
        http: httpx.AsyncClient,
        *,
        base_url: str,
        node: str,
        key: Ed25519PrivateKey,
        hub_public_key: Ed25519PublicKey,
        clock: Callable[[], dt.datetime],
    ) -> None:
        self._http = http
        self._base_url = base_url.rstrip("/")
        self._node = node
        self._key = key
        self._hub_key = hub_public_key
        self._clock = clock
        # A shop's clock may be days off. Only tickets follow the hub's time; nothing else does.
        self._hub_ahead = dt.timedelta(0)

    async def push(self, run: Sequence[Sealed], *, own_seq: int | None = None) -> PushAnswer | PushRefusal:
        """Send consecutive envelopes. `own_seq` is the last of the own log: the hub answers BEHIND when it knows more."""
        body = Push(envelopes=tuple(WireEnvelope.of(one) for one in run)).model_dump_json().encode()
        headers = {} if own_seq is None else {OWN_SEQ_HEADER: str(own_seq)}
        answer = await self._call("POST", f"/v1/nodes/{self._node}/events", body=body, headers=headers)
        if answer.status == 200:
            return _read(PushAnswer, self._signed(answer))
        if answer.status in (202, 409, 422):
            return _read(PushRefusal, self._signed(answer))
        if answer.status == 429:
            wait_s = DEFAULT_RETRY_AFTER_S if answer.retry_after_s is None else answer.retry_after_s
            return PushRefusal(
                type="about:blank", title="Busy", status=429, answer="busy", retry_after_s=wait_s
            )
        raise _refusal(answer)

    async def page(self, cursor: Cursor, limit: int = MOST_ITEMS_A_PAGE) -> FeedPage:
        """The feed after `cursor`, signed by the hub; whether it continues is for `feed.check_page` to say."""
        params = {"epoch": cursor.epoch, "after": str(cursor.position), "limit": str(limit)}
        answer = await self._call("GET", "/v1/feed", params=params)
        if answer.status != 200:
            raise _refusal(answer)
        return _read(FeedPage, self._signed(answer))

    async def head(self) -> HeadNews:
        """How far the feed has come."""
        answer = await self._call("GET", "/v1/feed/head")
        if answer.status != 200:
            raise _refusal(answer)
        return _read(HeadNews, self._signed(answer))

    async def hash_at(self, position: int) -> HashAtDocument:
        """The cumulative hash of the hub's feed at a position."""
        return _read(HashAtDocument, await self.ask("GET", "/v1/feed/hash", params={"at": str(position)}))

    async def give_back(self, run: Sequence[Sealed]) -> GivenBack:
        """Hand over envelopes of any log that the hub may have lost; at most 500, 1 MiB."""
        body = GiveBack(envelopes=tuple(WireEnvelope.of(one) for one in run)).model_dump_json().encode()
        return _read(GivenBack, await self.ask("POST", f"/v1/nodes/{self._node}/give-back", body=body))

    async def alert(self, sealed: Sealed) -> GivenBack:
        """Send one fact that blocks ahead of everything that is still to be pushed."""
        body = Alert(envelope=WireEnvelope.of(sealed)).model_dump_json().encode()
        return _read(GivenBack, await self.ask("POST", f"/v1/nodes/{self._node}/alerts", body=body))

    async def beat(self, beat: BeatDocument) -> BeatHeard:
        """Say where this node stands, and take the next ticket."""
        answer = await self._call(
            "POST", f"/v1/nodes/{self._node}/beat", body=beat.model_dump_json().encode()
        )
        if answer.status != 200:
            raise _refusal(answer)
        body = self._signed(answer)
        return BeatHeard(_read(BeatAnswerDocument, body), body.decode(), answer.signature or "")

    async def enrol_again(self, sealed: Sealed) -> Enrolled:
        """Show a restored hub its own fact of this node's enrolment. Raises HubRefused when it does not hold."""
        body = EnrolAgain(envelope=WireEnvelope.of(sealed)).model_dump_json().encode()
        return _read(Enrolled, await self.ask("POST", "/v1/enrol/again", body=body))

    async def hub_is_behind(self, body: str, signature: str) -> HubAheadAnswer:
        """Show the hub what it once signed. When it proves a rollback, the hub stops until its operator acts."""
        shown = HubAhead(body=body, signature=signature).model_dump_json().encode()
        return _read(HubAheadAnswer, await self.ask("POST", "/v1/feed/ahead", body=shown))

    async def heads(self) -> AsyncIterator[Bell]:
        """Each word of the bell, beats included, until the line breaks (HubUnreachable). The first comes at once.

        Only a hint to look: the stream is not signed, so nothing but a look at the feed may follow from it.
        """
        timeout = httpx.Timeout(CALL_TIMEOUT.read, connect=CALL_TIMEOUT.connect, read=BELL_SILENCE_S)
        url, headers = f"{self._base_url}/v1/feed/bell", self._headers() | _AS_IT_IS
        try:
            async with self._http.stream("GET", url, headers=headers, timeout=timeout) as response:
                if not response.headers.get("content-type", "").startswith("text/event-stream"):
                    raise HubUnreachable(f"the bell answered {response.status_code} and no stream")
                async for bell in _bells(response):
                    yield bell
        except httpx.HTTPError as wrong:
            raise HubUnreachable(f"the bell went silent: {type(wrong).__name__}") from wrong
        raise HubUnreachable("the hub closed the bell")

    async def pieces(self, path: str, *, after: int) -> AsyncGenerator[bytes, None]:
        """The bytes of a file after so many, piece by piece, until its end. Raises HubUnreachable, HubRefused.

        Nobody has signed what comes: whoever asks for a file must know its digest.
        """
        headers = self._headers() | _AS_IT_IS | ({"range": f"bytes={after}-"} if after else {})
        try:
            async with self._http.stream(
                "GET", self._base_url + path, headers=headers, timeout=CALL_TIMEOUT
            ) as response:
                _check_encoding(response)
                if response.status_code == 416:
                    raise HubRefused(416, "The file is not that long", f"asked from byte {after} on")
                if response.status_code != (206 if after else 200):
                    async with asyncio.timeout(PATIENCE_S) as patience:
                        found = await _body(response, patience)
                    raise _refusal(_Answer(response.status_code, found, None, None))
                start = response.headers.get("content-range", "").removeprefix("bytes ").partition("-")[0]
                if after and start != str(after):
                    raise HubUnreachable("the answer begins where nobody asked")
                async for piece in response.aiter_bytes():
                    yield piece
        except (httpx.HTTPError, TimeoutError) as wrong:
            raise HubUnreachable(f"the file broke off: {type(wrong).__name__}") from wrong

    async def put_diver(self, card: DiverCard) -> None:
        """Give a diver's name and address to the vault. Raises HubRefused when the address is no address."""
        body = card.model_dump_json().encode()
        answer = await self._call("PUT", f"/v1/divers/{card.diver_ref}", body=body)
        if answer.status not in (200, 204):
            raise _refusal(answer)

    async def find_divers(self, q: str) -> tuple[DiverCard, ...]:
        """Divers whose name, address or number contains `q`."""
        answer = await self._call("GET", "/v1/divers", params={"q": q})
        if answer.status != 200:
            raise _refusal(answer)
        return _read(DiverCards, self._signed(answer)).divers

    async def diver(self, diver_ref: str) -> DiverCard | None:
        """One diver, or None when the vault knows none (any more)."""
        answer = await self._call("GET", f"/v1/divers/{diver_ref}")
        if answer.status == 404:
            self._signed(answer)
            return None
        if answer.status != 200:
            raise _refusal(answer)
        return _read(DiverCard, self._signed(answer))

    async def ask(
        self, method: str, path: str, *, body: bytes | None = None, params: Mapping[str, str] | None = None
    ) -> bytes:
        """The body of a signed 200 for any other resource. Raises HubUnreachable, HubRefused."""
        answer = await self._call(method, path, body=body, params=params)
        if answer.status != 200:
            raise _refusal(answer)
        return self._signed(answer)

    async def _call(
        self,
        method: str,
        path: str,
        *,
        body: bytes | None = None,
        params: Mapping[str, str] | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> _Answer:
        for is_last in (False, True):
            every = self._headers() | dict(headers or {})
            if body is not None:
                every["content-type"] = "application/json"
            answer = await _send(
                self._http, method, self._base_url + path, body=body, params=params, headers=every
            )
            if answer.status != 401 or is_last or not self._learns_the_time(answer):
                return answer
        raise AssertionError("the loop above always returns")

    def _headers(self) -> dict[str, str]:
        now = self._clock() + self._hub_ahead
        return {"authorization": f"Bearer {ticket.issue(self._node, self._key, now)}"}

    def _learns_the_time(self, answer: _Answer) -> bool:
        """Whether a signed refusal of the ticket told the hub's time, so that asking again is worth it."""
        try:
            problem = _read(_Problem, self._signed(answer))
        except HubUnreachable:
            return False
        if problem.hub_time is None:
            return False
        self._hub_ahead = problem.hub_time - self._clock()
        return True

    def _signed(self, answer: _Answer) -> bytes:
        try:
            check_answer(answer.body, answer.signature, self._hub_key)
        except Forged as wrong:
            raise HubUnreachable(str(wrong)) from None
        return answer.body


async def enrol(http: httpx.AsyncClient, base_url: str, enrolment: Enrolment) -> Enrolled:
    """Turn a one-time code into a place in the network. Raises HubRefused (410: the code was used or is too old)."""
    answer = await _send(
        http,
        "POST",
        base_url.rstrip("/") + "/v1/enrol",
        body=enrolment.model_dump_json().encode(),
        params=None,
        headers={"content-type": "application/json"},
    )
    if answer.status != 200:
        raise _refusal(answer)
    return _read(Enrolled, answer.body)


async def _send(
    http: httpx.AsyncClient,
    method: str,
    url: str,
    *,
    body: bytes | None,
    params: Mapping[str, str] | None,
    headers: Mapping[str, str],
) -> _Answer:
    patience = asyncio.timeout(PATIENCE_S)
    try:
        async with (
            patience,
            http.stream(
                method,
                url,
                content=body,
                params=params,
                headers={**headers, **_AS_IT_IS},
                timeout=CALL_TIMEOUT,
            ) as response,
        ):
            found = await _body(response, patience)
    except TimeoutError:
        raise HubUnreachable(f"too slow an answer at {method} {httpx.URL(url).path}") from None
    except (httpx.HTTPError, httpx.InvalidURL) as wrong:
        raise HubUnreachable(f"{type(wrong).__name__} at {method} {httpx.URL(url).path}") from wrong
    return _Answer(
        status=response.status_code,
        body=found,
        signature=response.headers.get(SIGNED_HEADER),
        retry_after_s=_seconds(response.headers.get("retry-after")),
    )


async def _body(response: httpx.Response, patience: asyncio.Timeout) -> bytes:
    """The body as it came. Whoever is slow is waited for as long as a piece comes in time."""
    _check_encoding(response)
    found, due = bytearray(), PIECE_BYTES
    async for piece in response.aiter_bytes():
        found += piece
        if len(found) > MOST_BYTES_AN_ANSWER:
            raise HubUnreachable("the answer is larger than any of the hub's")
        if len(found) >= due:
            due = len(found) + PIECE_BYTES
            patience.reschedule(asyncio.get_running_loop().time() + PATIENCE_S)
    return bytes(found)


def _check_encoding(response: httpx.Response) -> None:
    # Unpacking is where a small answer becomes a large one; the hub packs nothing, and is asked not to.
    if response.headers.get("content-encoding", "identity").lower() != "identity":
        raise HubUnreachable("an answer in another encoding than was asked for")


def _refusal(answer: _Answer) -> HubUnreachable | HubRefused:
    """What an answer of another status than hoped for means."""
    if answer.status == 429 or answer.status >= 500:
        return HubUnreachable(f"the hub is in trouble ({answer.status})", retry_after_s=answer.retry_after_s)
    try:
        problem = _Problem.model_validate_json(answer.body)
    except ValidationError:
        return HubUnreachable(f"status {answer.status} and no problem document: not the hub")
    return HubRefused(answer.status, problem.title, problem.detail)


def _read(document: type[Document], body: bytes) -> Document:
    try:
        return document.model_validate_json(body)
    except ValidationError as wrong:
        raise HubUnreachable(f"not a {document.__name__}: {wrong.error_count()} members are wrong") from None


async def _bells(response: httpx.Response) -> AsyncIterator[Bell]:
    """Read `event:` and `data:` lines of a text/event-stream (WHATWG HTML, 9.2.6)."""
    event = data = ""
    async for line in _lines(response):
        name, _, value = line.partition(":")
        match name:
            case "event":
                event = value.strip()
            case "data":
                data = value.strip()
            case "" if not line and data:
                if event in ("head", "beat"):
                    yield Bell(news=_read(HeadNews, data.encode()), is_beat=event == "beat")
                event = data = ""


async def _lines(response: httpx.Response) -> AsyncIterator[str]:
    """Line by line, and never more of one in memory than a bell would send."""
    _check_encoding(response)
    held = b""
    async for piece in response.aiter_bytes():
        *whole, held = (held + piece).split(b"\n")
        if max(map(len, (*whole, held))) > MOST_BYTES_A_BELL_LINE:
            raise HubUnreachable("the bell sent more than a bell would")
        for line in whole:
            yield line.removesuffix(b"\r").decode(errors="replace")


def _seconds(text: str | None) -> float | None:
    """A Retry-After in seconds; its date form is not used by the hub."""
    if text is None or not text.strip().isdecimal():
        return None
    return float(text.strip())
