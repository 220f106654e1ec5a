"""The tasks that live as long as the hub: whether one of them ended by a fault, and which.

Must never start one again: what ended by a bug ends by it again, and only an operator can tell why.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field

import structlog

log = structlog.get_logger("background")


@dataclass(slots=True)
class Background:
    """Remembers what has ended. `watch` each task in the event loop that it runs in."""

    _has_ended: set[str] = field(default_factory=set)

    @property
    def has_ended(self) -> tuple[str, ...]:
        """The names of the tasks that a fault ended."""
        return tuple(sorted(self._has_ended))

    def watch(self, task: asyncio.Task[None]) -> None:
        """Log it when this task ends by a fault, and remember it until the next start."""
        task.add_done_callback(self._ended)

    def _ended(self, task: asyncio.Task[None]) -> None:
        if not task.cancelled() and (wrong := task.exception()) is not None:
            self._has_ended.add(task.get_name())
            log.error("task ended by a fault", task=task.get_name(), exc_info=wrong)
