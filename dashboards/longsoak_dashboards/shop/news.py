"""Tells open pages of a shop that something is to be seen, and when it was heard."""

import asyncio

from longsoak_dashboards.clock import now_ms, running
from longsoak_dashboards.events import Streams, event
from longsoak_dashboards.shop.book import News

SEEN_S = 0.4  # s at least between two tellings of what is to be seen
AGES_S = 10.0  # s until what only makes ages others is told: they count on by themselves meanwhile


class ShopNews(Streams):
    """Wakes whoever looks on. To be made in the loop that serves the pages."""

    def __init__(self) -> None:
        super().__init__()
        self._own = asyncio.get_running_loop()
        self._number = 0
        self._heard_ms = now_ms()  # of the first thing that was not told yet
        self._waits = False
        self._told_at = 0.0
        self._due: asyncio.TimerHandle | None = None

    def tell(self, news: News) -> None:
        """Note that something came. Safe from any thread, also once the loop is closed."""
        if not self.closing and not self._own.is_closed():
            self._own.call_soon_threadsafe(self._came, news, now_ms())

    def _came(self, news: News, heard_ms: int) -> None:
        if not self._waits:
            self._waits, self._heard_ms = True, heard_ms
        every = SEEN_S if news is News.SEEN else AGES_S
        at = self._own.time() + max(0.0, self._told_at + every - running())
        if self._due is not None:
            if self._due.when() <= at:
                return
            self._due.cancel()
            self._heard_ms = heard_ms  # what waited was ages alone
        self._due = self._own.call_at(at, self._say)

    def _say(self) -> None:
        self._due, self._waits = None, False
        self._told_at = running()
        self._number += 1
        self._wake()

    def _said(self) -> bytes:
        return event({"shop": self._number}, looked_ms=self._heard_ms)
