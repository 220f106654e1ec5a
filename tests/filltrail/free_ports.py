"""Ports for a whole demo that nobody listens on at this moment."""

import os

from filltrail.processes import is_port_taken


def free_base_port(count: int = 14) -> int:
    """The first of `count` free ports in a row; runs of tests at the same time begin their search elsewhere."""
    start = 20000 + os.getpid() % 500 * count
    for base in range(start, start + 1000 * count, count):
        if not any(is_port_taken(port) for port in range(base, base + count)):
            return base
    raise AssertionError("no free run of ports")
