"""Structured logs: one JSON line per fact, refusal and change of the line. Never a name, an address or a PIN."""

from __future__ import annotations

import logging
import sys
from typing import TextIO, cast

import structlog

from eventlog.lossy import Lossy


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
