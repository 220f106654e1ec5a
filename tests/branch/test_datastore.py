"""The store's connections: none is closed under a thread that is still at one."""

from __future__ import annotations

import threading
from pathlib import Path

from branch.store.datastore import BranchDatastore


def test_a_store_closes_only_when_nobody_is_at_it(tmp_path: Path) -> None:
    store = BranchDatastore(tmp_path / "branch.sqlite")
    inside, leave, read = threading.Event(), threading.Event(), list[object]()

    def look() -> None:
        with store.transaction(commit=False) as cursor:
            inside.set()
            leave.wait(10)
            cursor.execute("select 41 + 1")
            read.extend(cursor.fetchone() or ())

    looking = threading.Thread(target=look)
    closing = threading.Thread(target=store.close)
    looking.start()
    assert inside.wait(10)
    closing.start()
    closing.join(0.2)
    assert closing.is_alive()
    leave.set()
    looking.join(10)
    closing.join(10)
    assert not closing.is_alive()
    assert read == [42]
    assert store.pool.closed
