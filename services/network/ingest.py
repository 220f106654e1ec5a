"""Takes a node's envelopes into the log, or says why not: malformed, forged, out of chain or forked; nothing else.

A fact that contradicts others, or is of a kind nobody knows, is taken. Must never judge what a fact says.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, assert_never

import structlog
from pydantic import ValidationError

from eventlog.chain import Head, Link, links
from eventlog.envelope import Forged, Malformed, verify
from eventlog.keys import public_key
from eventlog.wire import Push
from network.store.database import Database
from network.store.log import Appended, append, lock_head
from network.store.nodes import Node, quarantine
from network.store.recorder import EnvelopeRecorder

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
    """The run was not taken, and why."""

    answer: Literal["fork", "gap", "behind", "broken", "forged", "malformed"]
    detail: str
    head: Head | None = None


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
        if own_seq is not None:
            head = lock_head(tx, node.slug, run[0].envelope.place.inc, now=now)
            if head.seq > own_seq:
                return Turned("behind", f"the hub holds {head.seq} of this log, the node {own_seq}", head)
        appended = append(tx, recorder, run, now=now)
        for link in appended.reused:
            detail = f"the id {link.envelope.event.id} was given to another fact before"
            quarantine(tx, node.slug, "reused id", detail, link.sealed.raw, now=now)
        if appended.verdict.answer == "broken":
            detail = f"prev of {appended.verdict.at_seq} does not match, or the log opens in the wrong place"
            raw = run[appended.verdict.at_seq - run[0].envelope.place.seq].sealed.raw
            quarantine(tx, node.slug, "broken", detail, raw, now=now)
    return _answer(appended)


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
