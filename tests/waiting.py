"""Waiting on a condition with a limit: no test sleeps for a time it hopes to be long enough."""

import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")

LIMIT = 60.0  # s; what takes a second takes many where other work has the processors


def wait_for(look: Callable[[], T], *, what: str, limit: float = LIMIT) -> T:
    """What `look` returns as soon as it is true; fails with `what` after `limit` seconds."""
    until = time.monotonic() + limit
    while not (found := look()):
        assert time.monotonic() < until, f"waited {limit:g} s in vain for {what}"
        time.sleep(0.01)
    return found
