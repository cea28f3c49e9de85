"""Waiting on a condition with a limit: no test sleeps for a time it hopes to be long enough."""

import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")

LIMIT = 60.0  # s; what takes a second takes many where other work has the processors
_SHORTEST, _LONGEST = 0.01, 0.5  # s between two looks


def wait_for(look: Callable[[], T], *, what: str, limit: float = LIMIT) -> T:
    """What `look` returns as soon as it is true; fails with `what` after `limit` seconds.

    Between two looks it rests as long as one took: one that starts a command would else keep a
    processor from what is waited for.
    """
    began = time.monotonic()
    until = began + limit
    while not (found := look()):
        now = time.monotonic()
        assert now < until, f"waited {limit:g} s in vain for {what}"
        time.sleep(min(max(now - began, _SHORTEST), _LONGEST))
        began = time.monotonic()
    return found
