"""Tells open pages that the record has grown. One look a second serves all of them."""

import asyncio
import json
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Mapping
from contextlib import suppress
from pathlib import Path

import anyio.to_thread

from longsoak.store.reader import Record
from longsoak.vocabulary.errors import StoreError
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.firsts import Stamp, stamp_of

LOOK_S = 0.4  # a change at the rig is on an open page within 2 s: a poll, a look, a fetch
TICK_S = 30.0  # an event even without news, so that ages on open pages go on
RETRY_MS = 2000  # how soon a browser tries again after the stream broke

Version = tuple[int, int, Stamp | None]  # scan, alarm change, and the rig file as it lies there


class Streams(ABC):
    """Server-sent events for open pages: what is so now, then again whenever they are woken."""

    def __init__(self) -> None:
        # One event for everybody's next news. A lock in its place would be left locked by a reader
        # who leaves while he waits: the server cancels a wait more than once.
        self._changed = asyncio.Event()
        self._listeners = 0
        self._closing = False
        self._loop: asyncio.AbstractEventLoop | None = None

    @property
    def closing(self) -> bool:
        """Whether every stream has to end."""
        return self._closing

    def close_soon(self) -> None:
        """End every stream within moments. Safe to call from a signal handler."""
        self._closing = True
        if self._loop is not None:
            self._loop.call_soon_threadsafe(self._wake)

    async def close(self) -> None:
        """End every stream."""
        self._closing = True
        self._wake()

    async def stream(self) -> AsyncIterator[bytes]:
        """Server-sent events for one page: what is so now, then each change of it."""
        self._loop = asyncio.get_running_loop()
        self._listeners += 1
        try:
            await self._begin()
            yield f"retry: {RETRY_MS}\n\n".encode()
            while not self._closing:
                changed = self._changed  # before it is said: what comes meanwhile is not missed
                yield self._said()
                with suppress(TimeoutError):
                    await asyncio.wait_for(changed.wait(), TICK_S)
        finally:
            self._listeners -= 1

    def _wake(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()

    async def _begin(self) -> None:  # noqa: B027 - most have nothing to do
        """Do what is needed once somebody listens."""

    @abstractmethod
    def _said(self) -> bytes:
        """The event that says how it is now."""


class News(Streams):
    """Looks at the record while anyone is listening, and wakes them when it has grown.

    Also when the rig file was saved: until there is a record, the first page tells of that.
    """

    def __init__(self, record: Record, rig_file: Path) -> None:
        super().__init__()
        self._record = record
        self._rig_file = rig_file
        self._version: Version = (0, 0, None)
        self._looked_ms = 0
        self._task: asyncio.Task[None] | None = None

    async def close(self) -> None:
        """End every stream, and the looking."""
        await super().close()
        if self._task is not None:
            self._task.cancel()
            with suppress(asyncio.CancelledError):
                await self._task

    async def _begin(self) -> None:
        if self._task is None or self._task.done():
            self._version = await anyio.to_thread.run_sync(self._look)
            self._looked_ms = now_ms()
            self._task = asyncio.create_task(self._watch())

    def _said(self) -> bytes:
        scan, change, _ = self._version
        return event({"scan": scan, "change": change}, looked_ms=self._looked_ms)

    async def _watch(self) -> None:
        while self._listeners and not self._closing:
            await asyncio.sleep(LOOK_S)
            version = await anyio.to_thread.run_sync(self._look)
            if version != self._version:
                self._version, self._looked_ms = version, now_ms()
                self._wake()

    def _look(self) -> Version:
        stamp = stamp_of(self._rig_file)
        try:
            return (*self._record.version(), stamp)
        except StoreError:  # not there yet, or its disk is gone: pages say so when they ask
            return 0, 0, stamp


def event(version: Mapping[str, int], *, looked_ms: int) -> bytes:
    """What a page is told; for whoever measures, a comment says when it was looked at."""
    return f": looked {looked_ms}\nevent: record\ndata: {json.dumps(version)}\n\n".encode()
