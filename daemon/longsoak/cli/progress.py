"""A progress bar for work that takes long."""

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager

import click

from longsoak.service.clock import SystemClock

_SHOWN_AFTER = 2.0  # s


@contextmanager
def bar(label: str) -> Iterator[Callable[[int, int], None]]:
    """Show on stderr how much is done of how much, once the work has taken a while."""
    clock = SystemClock()
    begun = clock.monotonic()
    with ExitStack() as shown:
        drawn = None

        def tell(done: int, total: int) -> None:
            nonlocal drawn
            if drawn is None and clock.monotonic() - begun > _SHOWN_AFTER:
                drawn = shown.enter_context(
                    click.progressbar(length=1000, label=label, file=sys.stderr)
                )
            if drawn is not None:
                drawn.update(1000 * done // max(1, total) - drawn.pos)

        yield tell
