"""Structured logs: JSON lines on standard error, times in UTC. A line that cannot be written changes nothing else."""

from __future__ import annotations

import contextlib
import logging
import sys
from dataclasses import dataclass
from typing import TextIO, cast

import structlog


def set_up_logs() -> None:
    """Log to standard error from here on."""
    logging.basicConfig(level=logging.WARNING, stream=sys.stderr, format="%(message)s")
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.JSONRenderer(),
        ],
        logger_factory=structlog.PrintLoggerFactory(cast(TextIO, Lossy(sys.stderr))),
        cache_logger_on_first_use=True,
    )


@dataclass(frozen=True)
class Lossy:
    """A stream that loses a line rather than fail: a full disk or a closed stream must not stop the work."""

    stream: TextIO | None

    def write(self, text: str) -> int:
        """As much as goes through. A stream that was closed says so by a ValueError."""
        with contextlib.suppress(OSError, ValueError):
            if self.stream is not None:
                self.stream.write(text)
        return len(text)

    def flush(self) -> None:
        """What cannot be written now is tried with the next line."""
        with contextlib.suppress(OSError, ValueError):
            if self.stream is not None:
                self.stream.flush()
