"""Work done beside this process, by forks of it that have all that it has in memory."""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from typing import Any, TypeVar

_MOST = 4  # forks at a time
_Item = TypeVar("_Item")
_Result = TypeVar("_Result")
_begun: list[Callable[[Any], Any]] = []  # what forks find in their memory, the newest last


@contextmanager
def beside(
    work: Callable[[_Item], _Result], items: Sequence[_Item]
) -> Iterator[Callable[[], Iterator[_Result]]]:
    """Begin `work` on each of `items`; what is handed out gives the results, in their order.

    There may be no database open and no other thread meanwhile. On one processor all of it is done
    when the results are asked for.

    Parameters
    ----------
    work : callable
        Need not be picklable, but its results have to be.
    items : sequence
        Picklable.
    """
    many = min(_MOST, os.cpu_count() or 1)
    if many < 2 or not items:
        yield lambda: map(work, items)
        return
    _begun.append(work)
    try:
        with ProcessPoolExecutor(min(many, len(items)), get_context("fork")) as pool:
            results = [pool.submit(_do, item) for item in items]
            yield lambda: (result.result() for result in results)
    finally:
        _begun.pop()


def _do(item: Any) -> Any:
    return _begun[-1](item)
