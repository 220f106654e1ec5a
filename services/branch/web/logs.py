"""Structured logs: one JSON line per fact, refusal and change of the line. Never a name, an address or a PIN."""

from __future__ import annotations

import contextlib
import logging
import sys
from dataclasses import dataclass
from typing import TextIO, cast

import structlog


def set_up_logs() -> None:
    """JSON lines on standard error, times in UTC."""
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,  # without the values of variables: they may be a name, or a PIN
            structlog.processors.JSONRenderer(),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(cast(TextIO, Lossy(sys.stderr))),
        cache_logger_on_first_use=True,
    )
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING)


@dataclass(frozen=True)
class Lossy:
    """A stream that loses a line rather than fail: a disk too full for the log must not change what a page answers."""

    stream: TextIO

    def write(self, text: str) -> int:
        """As much as goes through."""
        with contextlib.suppress(OSError):
            self.stream.write(text)
        return len(text)

    def flush(self) -> None:
        """What cannot be written now is tried with the next line."""
        with contextlib.suppress(OSError):
            self.stream.flush()
