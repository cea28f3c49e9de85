"""Whether what is measured is really kept: what a heartbeat and the state may be told for."""

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from longsoak.core.wording import age_words
from longsoak.service.clock import Clock
from longsoak.store.readback import Measured, ReadBack
from longsoak.vocabulary.errors import StoreError

TURNS = 30.0  # s the recorder may take for one turn: a card may stall for seconds


class Seen(NamedTuple):
    """The scan that was read back, or None, and why there is none."""

    scan: Measured | None
    why: str


class Verified:
    """Reads the newest scan that brought a value back from the committed record.

    Safe from any thread; each look opens the record afresh, as any reader does.

    Parameters
    ----------
    folder : Path
        The record's.
    clock : Clock
        The clocks.
    within : float
        How old the scan may be, s; see `longsoak.core.recency.verified_within_s`.
    since_ms : int
        When the process began to record, CLOCK_BOOTTIME: older scans are none of its own.
    turned : callable
        When the recorder's loop turned last, monotonic, s.
    """

    def __init__(
        self,
        folder: Path,
        *,
        clock: Clock,
        within: float,
        since_ms: int,
        turned: Callable[[], float],
    ) -> None:
        self._record = ReadBack(folder)
        self._clock = clock
        self._turned = turned
        self._since_ms = since_ms
        self.within = within

    def look(self) -> Seen:
        """Look now. Never raises."""
        idle = self._clock.monotonic() - self._turned()
        if idle > TURNS:
            return Seen(None, f"the recorder has not come round for {age_words(idle)}")
        try:
            newest = self._record.newest_measured()
        except StoreError as error:
            return Seen(None, str(error))
        # Not by the wall clock, which may be set at any moment.
        if newest is None or newest.boot != self._clock.boot or newest.boottime_ms < self._since_ms:
            return Seen(None, "no scan that brought a value was kept since the start")
        age = (self._clock.boottime_ms() - newest.boottime_ms) / 1000
        if age > self.within:
            return Seen(None, f"the newest scan that brought a value is {age_words(age)} old")
        return Seen(newest, "")
