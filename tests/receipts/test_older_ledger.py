"""A ledger of older software kept no word about people, keys and identities: it reads the feed again, once."""

from __future__ import annotations

import datetime as dt
import sqlite3
from pathlib import Path

from eventlog.feed import Cursor
from receipts.ledger import Ledger

NOW = dt.datetime(2026, 6, 15, 9, 0, tzinfo=dt.UTC)
READ_TO = Cursor("epoch-1", 41, "ab" * 32)


def test_a_ledger_without_its_filing_begins_the_feed_again_and_only_then(tmp_path: Path) -> None:
    path = tmp_path / "receipts.sqlite"
    ledger = Ledger(path)
    ledger.absorb([], READ_TO, hub_time=NOW, now=NOW)
    ledger.close()
    ledger = Ledger(path)
    assert ledger.cursor() == READ_TO
    ledger.close()
    with sqlite3.connect(path) as db:
        db.execute("drop table filed")
    db.close()
    ledger = Ledger(path)
    assert ledger.cursor() == Cursor()
    ledger.close()
