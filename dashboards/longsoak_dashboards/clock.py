"""The one place where the pages read a clock; everything below them takes `now` as an argument."""

import time


def now_ms() -> int:
    """UTC now, ms since 1970."""
    return time.time_ns() // 1_000_000


def running() -> float:
    """A clock that only runs on, s."""
    return time.monotonic()
