"""Takes a node's envelopes into the log, or says why not: malformed, forged, out of chain or forked; nothing else.

A fact that contradicts others, or is of a kind nobody knows, is taken. Must never judge what a fact says.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, assert_never

import structlog
from pydantic import ValidationError

from eventlog.chain import Head, Link, links
from eventlog.envelope import Forged, Malformed, verify
from eventlog.event import Effect
from eventlog.keys import public_key
from eventlog.wire import Push
from network.store.database import Database
from network.store.log import PostgresHubLog
from network.store.nodes import Node, quarantine
from network.store.pages import feed_head
from network.store.recorder import EnvelopeRecorder
from sync.at_hub import Appended, TakenBack, append, take_back
from sync.hub_log import HubLog

log = structlog.get_logger("ingest")


@dataclass(frozen=True, slots=True)
class Taken:
    """The run is committed."""

    answer: Literal["accepted", "same"]
    head: Head
    position: int
    fresh: tuple[Link, ...]


@dataclass(frozen=True, slots=True)
class Turned:
    """The run was not taken into its log, and why. `placed` are those of a withdrawn key's facts that count all the same."""

    answer: Literal["fork", "gap", "behind", "broken", "forged", "malformed", "quarantined"]
    detail: str
    head: Head | None = None
    placed: tuple[Link, ...] = ()
    position: int = 0


class _Unfit(Exception):
    """Not an envelope that this node may publish; `raw` is what goes into quarantine."""

    def __init__(self, answer: Literal["forged", "malformed"], detail: str, raw: bytes) -> None:
        super().__init__(detail)
        self.answer = answer
        self.detail = detail
        self.raw = raw


def take(
    database: Database,
    recorder: EnvelopeRecorder,
    node: Node,
    body: bytes,
    *,
    own_seq: int | None,
    now: dt.datetime,
) -> Taken | Turned:
    """Verify a pushed batch and append it in one transaction. Raises psycopg.Error when the database cannot."""
    try:
        run = _verified(node, body)
    except _Unfit as unfit:
        with database.transaction() as tx:
            quarantine(tx, node.slug, unfit.answer, unfit.detail, unfit.raw, now=now)
        log.warning("quarantined", node=node.slug, reason=unfit.answer)
        return Turned(unfit.answer, unfit.detail)
    with database.transaction() as tx:
        shared = PostgresHubLog(tx, recorder)
        if node.is_revoked:
            return _set_apart(shared, node, run, body, now=now)
        if own_seq is not None:
            head = shared.head(node.slug, run[0].envelope.place.inc, now=now)
            if head.seq > own_seq:
                return Turned("behind", f"the hub holds {head.seq} of this log, the node {own_seq}", head)
        appended = append(shared, run, now=now)
        _keep_evidence(shared, node, appended, run, body, now=now)
        answer = _answer(appended)
        if isinstance(answer, Taken) and not answer.fresh:
            return replace(answer, position=feed_head(tx).position)
    return answer


def _keep_evidence(
    shared: HubLog, node: Node, appended: Appended, run: Sequence[Link], body: bytes, *, now: dt.datetime
) -> None:
    """What somebody must look at, as it came."""
    for link in appended.reused:
        detail = f"the id {link.envelope.event.id} was given to another fact before"
        shared.aside(node.slug, "reused id", detail, link.sealed.raw, now=now)
    verdict = appended.verdict
    if verdict.answer == "broken":
        detail = f"prev of {verdict.at_seq} does not match, or the log opens in the wrong place"
        raw = run[verdict.at_seq - run[0].envelope.place.seq].sealed.raw
        shared.aside(node.slug, "broken", detail, raw, now=now)
    if verdict.answer == "fork":
        detail = f"{run[0].envelope.place.inc}: another envelope is held at {verdict.at_seq}"
        shared.aside(node.slug, "fork", detail, body, now=now)


def _set_apart(shared: HubLog, node: Node, run: Sequence[Link], body: bytes, *, now: dt.datetime) -> Turned:
    """The run of a withdrawn key: what blocks counts, as it would from anybody; the rest waits for a person."""
    blocks = [link.sealed for link in run if link.envelope.event.effect is Effect.BLOCK]
    taken = take_back(shared, node.slug, blocks, now=now, only_blocks=True) if blocks else TakenBack()
    detail = f"{len(run)} envelopes of the withdrawn key {node.key_id}, {len(blocks)} of them block"
    shared.aside(node.slug, "revoked", detail, body, now=now)
    log.warning("quarantined", node=node.slug, reason="revoked", envelopes=len(run), blocks=len(blocks))
    placed = tuple(one.link for one in taken.placed)
    return Turned("quarantined", detail, placed=placed, position=taken.position)


def log_facts(fresh: Sequence[Link]) -> None:
    """One line a fact, with nothing of its body."""
    for link in fresh:
        event, place = link.envelope.event, link.envelope.place
        log.info("fact", id=str(event.id), node=place.node, seq=place.seq, kind=event.kind)


def _verified(node: Node, body: bytes) -> tuple[Link, ...]:
    """The batch as links, each signed by this node's enrolled key. Raises _Unfit."""
    try:
        sealed = tuple(one.sealed() for one in Push.model_validate_json(body).envelopes)
        run = links(sealed)
    except ValidationError as wrong:
        raise _Unfit("malformed", f"not a batch of envelopes: {_first(wrong)}", body) from None
    except (Malformed, ValueError) as wrong:
        raise _Unfit("malformed", str(wrong), body) from None
    key = public_key(node.public_key)
    for link in run:
        place = link.envelope.place
        if place.node != node.slug:
            raise _Unfit("forged", f"an envelope of {place.node}, published by {node.slug}", link.sealed.raw)
        if place.key_id != node.key_id:
            raise _Unfit("forged", f"seq {place.seq} names a key that is not enrolled", link.sealed.raw)
        try:
            verify(link.sealed, key)
        except Forged as wrong:
            raise _Unfit("forged", f"seq {place.seq}: {wrong}", link.sealed.raw) from None
    return run


def _first(wrong: ValidationError) -> str:
    found = wrong.errors(include_url=False, include_input=False, include_context=False)[0]
    return f"{'.'.join(str(part) for part in found['loc'])}: {found['msg']}"


def _answer(appended: Appended) -> Taken | Turned:
    verdict, head = appended.verdict, appended.head
    match verdict.answer:
        case "accepted" | "same":
            return Taken(verdict.answer, head, appended.position, verdict.fresh)
        case "fork":
            return Turned("fork", f"the hub holds another envelope at {verdict.at_seq}", head)
        case "gap":
            return Turned("gap", f"{verdict.at_seq} is due next", head)
        case "broken":
            return Turned("broken", f"{verdict.at_seq} does not follow on", head)
        case _:
            assert_never(verdict.answer)
