"""Bytes that changed under a shop: no page of the database, no bit and no torn end of it lets a condemned cylinder be filled."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

import pytest
from eventsourcing.persistence import PersistenceError
from tests.branch.a_shop import RATED, Shop, make_shop, open_shop
from tests.faults.a_shop_program import Counter
from tests.faults.test_a_full_disk import counter_alone, serve_again

from branch.store import StoreIsBroken
from cylinder import commands as c
from cylinder.refusal import Refused
from eventlog.envelope import Malformed

FLIPS = 60
TEARS = 40
PAGE_BYTES = 4096

Stops = (Refused, StoreIsBroken, Malformed, PersistenceError, sqlite3.Error, ValueError)
"""What may stop a fill on a damaged database: any of these is a red page. Being authorised is not among them."""


@dataclass(frozen=True)
class Condemned:
    """A shop's closed folder, with a cylinder that was condemned while its visit stood before the fill."""

    folder: Path
    shop: Shop
    visit_id: UUID

    @property
    def database(self) -> Path:
        return self.folder / "branch.sqlite"

    def is_authorised(self, damaged: Path) -> bool:
        """Whether a shop on this folder lets gas flow into it."""
        try:
            again = open_shop(damaged, self.shop.clock)
        except Stops:
            return False
        try:
            again.actors = again.actors or self.shop.actors
            again.do(c.Authorise, visit_id=self.visit_id, target=RATED)
            return True
        except Stops:
            return False
        finally:
            again.node.store.close()


@pytest.fixture(scope="module")
def condemned(tmp_path_factory: pytest.TempPathFactory) -> Condemned:
    shop = make_shop(tmp_path_factory.mktemp("condemned"))
    visit_id = shop.up_to("target")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    folder = shop.node.store.path.parent
    shop.node.store.close()
    before = copied(folder, folder.with_name("before"))
    assert Condemned(folder, shop, visit_id).is_authorised(before)  # Nothing else stands in the way.
    again = open_shop(folder, shop.clock)
    again.condemn(cylinder_id)
    again.node.store.close()  # The last one to close brings everything into the one file.
    return Condemned(folder, again, visit_id)


def copied(folder: Path, to: Path) -> Path:
    return shutil.copytree(folder, to)


def zeros(page: bytes, chance: random.Random) -> bytes:
    return bytes(len(page))


def noise(page: bytes, chance: random.Random) -> bytes:
    return chance.randbytes(len(page))


def half(page: bytes, chance: random.Random) -> bytes:
    return page[: len(page) // 2] + bytes(len(page) - len(page) // 2)


@pytest.mark.parametrize("damage", [zeros, noise, half], ids=lambda damage: damage.__name__)
def test_whatever_page_of_the_database_is_damaged_a_condemned_cylinder_is_not_filled(
    condemned: Condemned, tmp_path: Path, damage: Callable[[bytes, random.Random], bytes]
) -> None:
    chance, whole = random.Random(7), condemned.database.read_bytes()
    pages = range(len(whole) // PAGE_BYTES)
    assert len(pages) > 20
    folder = copied(condemned.folder, tmp_path / "whole")
    assert not condemned.is_authorised(folder)
    for n in pages:
        folder = copied(condemned.folder, tmp_path / str(n))
        start, end = n * PAGE_BYTES, (n + 1) * PAGE_BYTES
        (folder / "branch.sqlite").write_bytes(whole[:start] + damage(whole[start:end], chance) + whole[end:])
        assert not condemned.is_authorised(folder), f"page {n}"


def test_whatever_bit_of_the_database_is_flipped_a_condemned_cylinder_is_not_filled(
    condemned: Condemned, tmp_path: Path
) -> None:
    chance, whole = random.Random(11), condemned.database.read_bytes()
    # Where the condemnation itself is written down, in the log and in the kept standing, and anywhere else.
    named = [at for at in range(len(whole)) if whole.startswith(b"condemned", at)]
    assert len(named) > 2
    near = [at + chance.randrange(-200, 400) for at in chance.choices(named, k=FLIPS // 2)]
    for n, at in enumerate([*near, *(chance.randrange(len(whole)) for _ in range(FLIPS // 2))]):
        folder = copied(condemned.folder, tmp_path / str(n))
        flipped = bytes([whole[at] ^ 1 << chance.randrange(8)])
        (folder / "branch.sqlite").write_bytes(whole[:at] + flipped + whole[at + 1 :])
        assert not condemned.is_authorised(folder), f"a bit of byte {at}"


def test_a_log_torn_at_any_byte_is_a_whole_beginning_of_the_log(tmp_path: Path) -> None:
    """A power cut leaves of the unsynced end as much as it likes; here each length of it, cut at random."""
    shop = make_shop(tmp_path)
    folder, chance = shop.node.store.path.parent, random.Random(13)
    # Everything from here on lies in the write-ahead file only.
    with closing(sqlite3.connect(folder / "branch.sqlite")) as database:
        database.execute("pragma wal_checkpoint(truncate)")
    shop.up_to("target")
    ahead = (folder / "branch.sqlite-wal").read_bytes()
    kept = copied(folder, tmp_path / "kept")
    shop.node.store.close()
    assert len(ahead) > 20 * PAGE_BYTES
    stood: list[int] = []
    for cut in [*sorted(chance.sample(range(len(ahead)), TEARS)), len(ahead)]:
        torn = copied(kept, tmp_path / str(cut))
        (torn / "branch.sqlite-shm").unlink(missing_ok=True)
        (torn / "branch.sqlite-wal").write_bytes(ahead[:cut])
        stood.append(whole_facts(torn))
    assert stood == sorted(stood)
    assert stood[0] < stood[-1]


def whole_facts(folder: Path) -> int:
    """How many facts the own log holds; they follow on, and the index, the standings and the node's row say the same."""
    with closing(sqlite3.connect(folder / "branch.sqlite")) as database:
        ((seq,),) = database.execute("select seq from node")
        numbers = [row[0] for row in database.execute("select seq from fact order by seq")]
        stored = [
            row[0] for row in database.execute("select originator_version from stored_events order by 1")
        ]
    assert numbers == stored == list(range(1, seq + 1))
    return int(seq)


@pytest.fixture
def lantern(tmp_path: Path) -> Iterator[Counter]:
    made = counter_alone(tmp_path)
    yield made
    made.stop()


@pytest.mark.wire
@pytest.mark.slow
def test_a_program_on_what_is_no_database_ends_with_a_plain_word(lantern: Counter) -> None:
    with lantern.database.open("r+b") as file:
        file.write(b"this was a database, and is none any more" * 100)
    ended = serve_again(lantern)
    assert ended.returncode == 1
    assert "branch.sqlite cannot be used" in " ".join(ended.stderr.split())
    assert "Traceback" not in ended.stderr
