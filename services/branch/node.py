"""One running node: every part wired once. The program hands in clock, randomness and data folder."""

from __future__ import annotations

import datetime as dt
import fcntl
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

import httpx

import rulebook
from branch.conversation import Conversation
from branch.desk import Desk
from branch.divers import Divers
from branch.enrolment import finish
from branch.gases import ShopGases
from branch.house_rules import PermitRead, house_policy, permits_read
from branch.link import Link, news_heard_at
from branch.live import Live
from branch.marker import FOLDER, MarkerFile, MarkerKeeper
from branch.people import People
from branch.ready_file import ReadyFile
from branch.settings import ShopSettings, read_settings
from branch.signatures import Signatures
from branch.store import Author, BranchStore
from branch.store.rows import node_row
from branch.sync import BEAT_S, ITEMS_A_PAGE, Sync
from branch.time_floor import TimeFloor
from branch.waking import wake
from eventlog.hub_client import HubClient
from eventlog.keys import private_key, public_key

SOFTWARE = "filltrail-0.1.0"


@dataclass(frozen=True, slots=True)
class World:
    """What only the program may read: clock, monotonic time, and sources of ids, tokens, codes and chance."""

    now: Callable[[], dt.datetime]
    monotonic_s: Callable[[], float]
    new_id: Callable[[], UUID]
    new_token: Callable[[], str]
    new_code: Callable[[], str]
    chance: Callable[[], float]
    beat_s: float = BEAT_S
    marker_folder: Path | None = None
    """Where the marker lies, when not in the data folder."""
    is_practice: bool = False
    """The clock is one for practice: every page says so."""


@dataclass
class Node:
    """All the parts of a shop's node."""

    settings: ShopSettings
    store: BranchStore
    desk: Desk
    people: People
    divers: Divers
    gases: ShopGases
    live: Live
    floor: TimeFloor
    world: World
    sync: Sync
    http: httpx.AsyncClient
    signatures: Signatures
    permits: tuple[PermitRead, ...] = ()
    """The special permits that somebody at this shop has read, as they wrote down."""


class AnotherIsRunning(Exception):
    """Another process of this node holds the data folder."""


def lock_folder(data: Path) -> int:
    """Hold the data folder for this process; the lock falls when the process ends. Raises AnotherIsRunning."""
    handle = os.open(data / "lock", os.O_CREAT | os.O_RDWR, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        raise AnotherIsRunning(f"another process of this node is running on {data}; stop it first") from None
    return handle


def open_store(data: Path, settings: ShopSettings) -> BranchStore:
    """The node's database, as it lies there."""
    author = Author(node=settings.node, key=private_key((data / "node.key").read_bytes()), software=SOFTWARE)
    return BranchStore(data / "branch.sqlite", author, hub_node=settings.hub_node)


def wake_store(data: Path, settings: ShopSettings, world: World, *, is_lost: bool = False) -> BranchStore:
    """The node's database, its log begun (again, when it has forgotten something), and the hub's key trusted.

    Only for the one process that holds the data folder. `is_lost`: this shop had a log before, and it is gone.
    """
    store = open_store(data, settings)
    file = MarkerFile(world.marker_folder or data / FOLDER, store.author.key)
    keeper = MarkerKeeper(file)
    store.after_commit, store.at_close = keeper.note, keeper.close
    wake(store, file, new_id=world.new_id, now=world.now(), is_lost=is_lost)
    with store.writing() as tx:
        tx.trust(settings.hub_node, settings.hub_public_key, "Network hub")
        tx.log.stand(tx.node())  # So that there is a marker from the first moment on.
    return store


def open_node(data: Path, world: World, *, hub_url: str | None = None, is_alone: bool = True) -> Node:
    """Wire a node on its data folder. Raises FileNotFoundError when the shop was never enrolled.

    Raises HouseRulesAreFaulty, with every reason, before anything is opened.
    `is_alone`: this process holds the folder, and may write facts; another one must not.
    """
    if is_alone:
        finish(data)
    settings = read_settings(data)
    rules = rulebook.load(settings.jurisdiction)
    house = house_policy(data, settings, rules)
    store = wake_store(data, settings, world) if is_alone else open_store(data, settings)
    floor = TimeFloor(wall=world.now, monotonic_s=world.monotonic_s)
    with store.reading() as c:
        row = node_row(c)
    if row is not None and row.hub_time is not None:
        floor.hear(row.hub_time)
    live, divers, http = Live(), Divers(store), httpx.AsyncClient()
    client = HubClient(
        http,
        base_url=hub_url or settings.hub_url,
        node=settings.node,
        key=store.author.key,
        hub_public_key=public_key(settings.hub_public_key),
        clock=world.now,
    )
    talk = Conversation(store=store, new_id=world.new_id, now=floor.now)
    link = Link()
    ready = ReadyFile(
        data=data,
        hub_key=public_key(settings.hub_public_key),
        talk=talk,
        link=link,
        items_a_page=ITEMS_A_PAGE,
    )
    sync = Sync(
        store=store, client=client, floor=floor, live=live, link=link, divers=divers, jitter=world.chance, talk=talk,
        ready=ready, beat_s=world.beat_s,
    )  # fmt: skip
    desk = Desk(
        store=store,
        settings=settings,
        rules=rules,
        house=house,
        floor=floor,
        live=live,
        heard_at=lambda here: news_heard_at(here, sync.link),
        after_write=sync.wake_push,
    )
    sync.own_came_back = desk.look_again
    people = People(
        store,
        now=world.now,
        new_token=world.new_token,
        new_code=world.new_code,
        relock=dt.timedelta(minutes=settings.relock_min),
    )
    signatures = Signatures(data / "signatures", world.new_token)
    return Node(
        settings,
        store,
        desk,
        people,
        divers,
        ShopGases(store),
        live,
        floor,
        world,
        sync,
        http,
        signatures,
        permits_read(data, settings),
    )
