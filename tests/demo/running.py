"""Simulated hardware on an event loop of its own, and a hand that breaks and mends it."""

import asyncio
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from longsoak_demo.bench import Bench
from longsoak_demo.events import Event
from longsoak_demo.folder import DemoFolder
from longsoak_demo.hardware import Hardware
from longsoak_demo.physics import RenderPair


class Running:
    """Hardware under `folder`, on a thread; the simulated time stands still."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.bench = Bench(RenderPair(), seed=3)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever)
        self._hardware = Hardware(self.bench, folder)

    def start(self) -> None:
        """Bring the hardware up, and return when it is."""
        self._thread.start()
        asyncio.run_coroutine_threadsafe(self._hardware.__aenter__(), self._loop).result(10)

    def stop(self) -> None:
        """Take the hardware down."""
        asyncio.run_coroutine_threadsafe(self._hardware.__aexit__(), self._loop).result(10)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()

    def happen(self, *events: Event) -> None:
        """Let events happen, and return when they have."""

        def apply() -> None:
            for event in events:
                self.bench.apply(event)
            self._hardware.refresh()

        self._in_loop(apply)

    def _in_loop(self, do: Callable[[], None]) -> None:
        async def once() -> None:
            do()

        asyncio.run_coroutine_threadsafe(once(), self._loop).result(10)


@contextmanager
def laid_out(path: Path, *, page: str | None = None) -> Iterator[None]:
    """The demo's hardware under `path`, running, with its rig file laid out there."""
    folder = DemoFolder(path, fresh=False)
    folder.lay_out(page=page)
    hardware = Running(path)
    hardware.start()
    try:
        yield
    finally:
        hardware.stop()
        folder.release()
