"""Structured logs: JSON lines on standard error, times in UTC. A line that cannot be written changes nothing else."""

from __future__ import annotations

import logging
import sys
from typing import TextIO, cast

import structlog

from eventlog.lossy import Lossy


def set_up_logs() -> None:
    """Log to standard error from here on."""
    logging.basicConfig(level=logging.WARNING, stream=sys.stderr, format="%(message)s")
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,  # without the values of variables: they may be a person's
            structlog.processors.JSONRenderer(),
        ],
        logger_factory=structlog.PrintLoggerFactory(cast(TextIO, Lossy(sys.stderr))),
        cache_logger_on_first_use=True,
    )
