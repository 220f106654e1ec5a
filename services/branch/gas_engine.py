"""Makes the gas engine ready before anybody waits for it: it takes its time once, and most of a visit needs no gas law.

Must never be called at import, and never from inside a transaction.
"""

from __future__ import annotations

import os
from threading import Lock, Thread
from typing import Final

import structlog

from gas import engine
from gas.quantity import DRY_AIR

log = structlog.get_logger("branch.gas")

# Two thirds of the loading time go into tables for boiling liquids, and while they load nothing else runs. Breathing gas in
# a cylinder never boils: `gas.engine` forces the gas phase.
WITHOUT_BOILING: Final = "COOLPROP_DISABLE_SUPERANCILLARIES_ENTIRELY"

_one_warms = Lock()
_began: list[Thread] = []


def warm() -> None:
    """Begin to load the engine beside the work, once a process; at a step that comes well before the first plan."""
    with _one_warms:
        if _began:
            return
        thread = Thread(target=_load, name="gas engine")
        _began.append(thread)
        thread.start()


def wait_until_warm() -> None:
    """Return when the engine is ready: for a page that is about to plan, before it asks for any lock."""
    warm()
    _began[0].join(timeout=60)


def _load() -> None:
    os.environ.setdefault(WITHOUT_BOILING, "1")
    engine.density(DRY_AIR, 200e5, 300.0)
    log.info("gas engine ready")
