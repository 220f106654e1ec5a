"""A stream for log lines that loses a line rather than fail.

Every program of the network writes its log through it: a full disk or a closed stream must not change an answer.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from typing import TextIO


@dataclass(frozen=True)
class Lossy:
    """Writes to `stream`, which may be missing, closed or full."""

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
