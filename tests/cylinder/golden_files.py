"""Adds the golden file of a new kind or version: `python -m tests.cylinder.golden_files`.

Put one example into `examples.py` first. Files that are there are never written again: what they hold
was stored, somewhere, and has to be read for ever.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.cylinder.examples import CYLINDER, EXAMPLES
from tests.cylinder.given import DIVER, HERE, INSPECTOR, NOW, TODAY, an_id

from cylinder.facts import Fact
from cylinder.recorded import cylinder_subject
from eventlog.envelope import Place, Sealed, seal
from eventlog.event import Effect, Event, Seen
from eventlog.keys import key_id

FOLDER = Path(__file__).parent / "golden"
KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))


def sealed(fact: Fact) -> Sealed:
    """The fact as a shop's log stores it, with a fixed key, place and time."""
    event = Event(
        id=an_id(f"golden {fact.KIND}.v{fact.V}"),
        kind=fact.KIND,
        v=fact.V,
        effect=Effect(fact.EFFECT),
        subject=cylinder_subject(CYLINDER),
        body=fact.model_dump(mode="json"),
        performed_on=TODAY,
        at=NOW,
        seen=Seen(epoch="epoch-1", position=41, feed_hash="ab" * 32),
        actor=INSPECTOR.id,
        role=INSPECTOR.role,
        software="filltrail-0.1.0",
        diver_ref=DIVER if fact.KIND.startswith("visit.") else None,
        clears=(an_id("a block"),) if fact.EFFECT == "clear" else (),
    )
    place = Place(node=HERE, key_id=key_id(KEY.public_key()), inc=an_id("incarnation"), seq=2, prev="cd" * 32)
    return seal(event, place, recorded_at=NOW + dt.timedelta(seconds=1), key=KEY)


def path_of(kind: str, version: int) -> Path:
    """Where the envelope of a kind lies; its signature lies beside it as hex."""
    return FOLDER / f"{kind}.v{version}.json"


def add_missing() -> list[Path]:
    """Write what is not there yet, and nothing else."""
    added: list[Path] = []
    for (kind, version), fact in EXAMPLES.items():
        path = path_of(kind, version)
        if not path.exists():
            one = sealed(fact)
            path.write_bytes(one.raw)
            path.with_suffix(".sig").write_text(one.signature.hex() + "\n", encoding="ascii")
            added.append(path)
    return added


if __name__ == "__main__":
    add_missing()
