"""A shop's first reading of a long feed: each standing folded once at the head, beside folding it at every page.

Both read the same signed pages into a fresh database, in turns. Must never leave out what makes the standings right.
"""

from __future__ import annotations

import base64
import datetime as dt
import gzip
import hashlib
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.benchmarks.measuring import Row, row

from branch.conversation import Conversation
from branch.store import Author, BranchStore
from branch.store import views as look
from branch.store.branch_log import trusted_key
from cylinder import facts as f
from cylinder.facts import Fact
from cylinder.marks import KeyedPressure, Marks
from cylinder.recorded import cylinder_subject
from eventlog.chain import LOG_OPENED
from eventlog.envelope import Place, Sealed, seal
from eventlog.event import NO_HASH, Effect, Event, Seen
from eventlog.feed import Cursor, next_feed_hash
from eventlog.keys import key_id, public_text
from eventlog.snapshot import Manifest, check_bytes, walk
from eventlog.snapshot import pages as pages_of_file
from eventlog.wire import FeedItem, FeedPage
from sync import at_branch
from sync.standpoint import Fresh

NOW = dt.datetime(2026, 6, 15, 9, 30, tzinfo=dt.UTC)
ITEMS_A_PAGE = 200
VISITS = 3
RATED = KeyedPressure(value=3000, unit="psi")
EPOCH = "e1"


class Writer:
    """A node of the network, whose facts stand in the feed."""

    def __init__(self, node: str) -> None:
        self.node, self.key = node, Ed25519PrivateKey.generate()
        self.inc, self.seq, self.before = uuid.uuid4(), 0, NO_HASH

    def says(self, kind: str, subject: str, body: dict[str, object], effect: str, *, v: int = 1) -> Sealed:
        """The next envelope of its log."""
        self.seq += 1
        event = Event.model_validate(
            {
                "id": uuid.uuid4(), "kind": kind, "v": v, "effect": Effect(effect), "subject": subject, "body": body,
                "performed_on": NOW.date(), "at": NOW, "seen": Seen(), "actor": f"in-{self.node}",
                "role": "inspector", "software": "bench",
            }
        )  # fmt: skip
        place = Place(self.node, key_id(self.key.public_key()), self.inc, self.seq, self.before)
        sealed = seal(event, place, recorded_at=NOW, key=self.key)
        self.before = sealed.hash
        return sealed

    def records(self, fact: Fact, subject: str) -> Sealed:
        """A fact of a known kind."""
        return self.says(fact.KIND, subject, fact.model_dump(mode="json"), fact.EFFECT, v=fact.V)


def long_feed(facts: int) -> tuple[Writer, tuple[Sealed, ...]]:
    """About so many facts of three shops: cylinders put on record and passed, then visits, one after the other.

    A cylinder's visits lie far apart, as its year does. Gives the hub as well, whose key a reader has to trust.
    """
    hub, shops = Writer("hub"), [Writer(name) for name in ("reef", "quay", "pier")]
    feed = [hub.says(LOG_OPENED, "node/hub", {"parent": None, "reason": "first"}, "neutral")]
    for shop in shops:
        public = shop.key.public_key()
        body: dict[str, object] = {
            "node": shop.node, "key_id": key_id(public), "public_key": public_text(public), "name": shop.node,
        }  # fmt: skip
        feed.append(hub.says("node.enrolled", f"node/{shop.node}", body, "neutral"))
        feed.append(
            shop.says(LOG_OPENED, f"node/{shop.node}", {"parent": None, "reason": "first"}, "neutral")
        )
    some = max(1, facts // (2 + 4 * VISITS))
    cylinders = [(cylinder_subject(uuid.uuid4()), _marks(n)) for n in range(some)]
    for n, (subject, marks) in enumerate(cylinders):
        shop = shops[n % len(shops)]
        feed.append(shop.records(f.CylinderRegistered(marks=marks), subject))
        feed.append(shop.records(f.VisualPassed(rated=RATED), subject))
    for round_ in range(VISITS):
        for n, (subject, marks) in enumerate(cylinders):
            feed += _visit(shops[(n + round_) % len(shops)], subject, marks)
    return hub, tuple(feed)


def _marks(n: int) -> Marks:
    return Marks(serial=f"B{n:07d}", maker="ZQ", spec="3AL", first_test="2021-07")


def _visit(shop: Writer, subject: str, marks: Marks) -> Iterator[Sealed]:
    visit_id = uuid.uuid4()
    yield shop.records(f.CylinderIdentified(visit_id=visit_id, marks=marks, was_known=True), subject)
    yield shop.records(
        f.DatesRead(visit_id=visit_id, requalified="2024-05", looked_inside="2026-02"), subject
    )
    yield shop.records(f.RatingRead(visit_id=visit_id, rated=RATED), subject)
    yield shop.records(f.ReadingTaken(visit_id=visit_id, reading=RATED), subject)


def pages(feed: Sequence[Sealed], items_a_page: int = ITEMS_A_PAGE) -> Iterator[FeedPage]:
    """The feed as a hub gives it out."""
    before = NO_HASH
    for after in range(0, len(feed), items_a_page):
        some = feed[after : after + items_a_page]
        for one in some:
            before = next_feed_hash(before, one.hash)
        items = tuple(
            FeedItem(
                position=after + n, received_at=NOW, raw=one.raw.decode(),
                signature=base64.b64encode(one.signature).decode(),
            )
            for n, one in enumerate(some, start=1)
        )  # fmt: skip
        yield FeedPage(epoch=EPOCH, after=after, head=len(feed), items=items, feed_hash=before, hub_time=NOW)


def new_reader(folder: Path, hub: Writer) -> BranchStore:
    """A node that has read nothing yet."""
    folder.mkdir(parents=True)
    author = Author("gannet", Ed25519PrivateKey.generate(), "bench")
    store = BranchStore(folder / "branch.sqlite", author, hub_node="hub")
    with store.writing() as tx:
        tx.trust("hub", public_text(hub.key.public_key()), "hub")
        tx.trust("gannet", public_text(author.key.public_key()), "gannet")
        tx.open_log(Fresh(uuid.uuid4(), uuid.uuid4()), reason="first", now=NOW)
    return store


def fold_at_every_page(store: BranchStore, feed: list[FeedPage]) -> float:
    """As the live tail is read."""
    began = time.perf_counter()
    for page in feed:
        with store.reading() as c:
            proven = at_branch.prove(page, lambda node, key: trusted_key(c, node, key))
        with store.writing() as tx:
            tx.absorb(page, heard_at=NOW, proven=proven)
    return time.perf_counter() - began


def fold_at_the_head(store: BranchStore, feed: list[FeedPage]) -> float:
    """As a node that is behind reads."""
    talk = Conversation(store, uuid.uuid4, lambda: NOW)
    began = time.perf_counter()
    for page in feed:
        talk.absorb(page, heard_at=NOW)
    return time.perf_counter() - began


def from_a_file(store: BranchStore, feed: list[FeedPage], packed: Packed) -> float:
    """The same from a ready file: its digest, a walk over all of it, and then its pages."""
    talk = Conversation(store, uuid.uuid4, lambda: NOW)
    began = time.perf_counter()
    check_bytes(packed.path, packed.manifest)
    ends = walk(packed.path, packed.manifest, Cursor(), ITEMS_A_PAGE)
    for page in pages_of_file(packed.path, packed.manifest, Cursor(), ends, ITEMS_A_PAGE):
        talk.absorb(page, heard_at=NOW)
    talk.absorb(feed[-1].model_copy(update={"after": len_of(feed), "items": ()}), heard_at=NOW)
    return time.perf_counter() - began


@dataclass(frozen=True, slots=True)
class Packed:
    """A ready file."""

    path: Path
    manifest: Manifest


def pack(feed: list[FeedPage], path: Path) -> Packed:
    """As the hub packs its feed."""
    whole = b"".join(item.model_dump_json().encode() + b"\n" for page in feed for item in page.items)
    path.write_bytes(gzip.compress(whole, mtime=0))
    manifest = Manifest(
        epoch=EPOCH, position=len_of(feed), feed_hash=feed[-1].feed_hash, bytes=path.stat().st_size,
        unpacked_bytes=len(whole), sha256=hashlib.sha256(path.read_bytes()).hexdigest(), made_at=NOW,
        key_id="0" * 16,
    )  # fmt: skip
    return Packed(path, manifest)


def len_of(feed: list[FeedPage]) -> int:
    """How far these pages go."""
    return feed[-1].after + len(feed[-1].items)


def first_reading(folder: Path, facts: int, rounds: int = 3) -> list[Row]:
    """A whole first reading in each of three ways, `rounds` times in turns."""
    hub, sealed = long_feed(facts)
    feed = list(pages(sealed))
    folder.mkdir(parents=True)
    packed = pack(feed, folder / "facts.jsonl.gz")
    ways: dict[str, Callable[[BranchStore], float]] = {
        "every page": lambda store: fold_at_every_page(store, feed),
        "head": lambda store: fold_at_the_head(store, feed),
        "file": lambda store: from_a_file(store, feed, packed),
    }
    took: dict[str, list[float]] = {name: [] for name in ways}
    for n in range(rounds):
        digests: set[str] = set()
        for name, way in ways.items():
            store = new_reader(folder / f"{name} {n}", hub)
            took[name].append(way(store))
            with store.reading() as c:
                digests.add(look.standing_digest(c))
            store.close()
        assert len(digests) == 1, "every way gives the same standings"
    many = f"shop: {len(sealed):,} facts read for the first time"
    sizes = f"{packed.manifest.bytes:,} bytes packed, {packed.manifest.unpacked_bytes:,} as lines"
    return [
        row(f"{many}, folded at the head", took["head"], "folded at every page", took["every page"]),
        row(
            f"{many}, from a ready file",
            took["file"],
            "the same pages at hand, unchecked",
            took["head"],
            note=sizes,
        ),
    ]
