"""The one place that reads a clock."""

import ctypes
import time
from pathlib import Path
from typing import NamedTuple, Protocol

_LOOKS = 5
_KNOWN_WITHIN_US = 16_000_000  # the kernel's own bound for calling itself unsynchronised


class Clock(Protocol):
    """What the service needs to know of time."""

    @property
    def boot(self) -> str:
        """The kernel's id of this boot."""
        ...

    def utc_ms(self) -> int:
        """Wall clock, ms since 1970 UTC; may be set at any moment."""
        ...

    def boottime_ms(self) -> int:
        """CLOCK_BOOTTIME, ms: never set, runs on in suspend."""
        ...

    def monotonic(self) -> float:
        """CLOCK_MONOTONIC, s: what cadence and waiting go by."""
        ...

    def synchronised(self) -> bool:
        """Whether the kernel believes its wall clock."""
        ...


class Wall(NamedTuple):
    """What the wall clock says.

    `base_ms` is the UTC of CLOCK_BOOTTIME zero: it changes where the clock is set, and only there.
    """

    base_ms: int
    synchronised: bool


def look_at_the_wall(clock: Clock) -> Wall:
    """How the wall clock lies to CLOCK_BOOTTIME, and whether it was synchronised meanwhile.

    Two clocks can't be read at once, and a busy machine may do something else in between: of a few
    looks, the one that took least is believed. A clock that is set and called synchronised between
    two of our steps must not lend that name to what it said before.
    """
    known = clock.synchronised()
    found: list[tuple[int, int]] = []
    for _ in range(_LOOKS):
        began = clock.boottime_ms()
        utc_ms = clock.utc_ms()
        took = clock.boottime_ms() - began
        found.append((took, utc_ms - began - took // 2))
        if took <= 1:
            break
    return Wall(min(found)[1], known and clock.synchronised())


class SystemClock:
    """The machine's clocks."""

    def __init__(self) -> None:
        self._boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
        self._adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex

    @property
    def boot(self) -> str:
        """The kernel's id of this boot."""
        return self._boot

    def utc_ms(self) -> int:
        """Wall clock, ms since 1970 UTC."""
        return time.time_ns() // 1_000_000

    def boottime_ms(self) -> int:
        """CLOCK_BOOTTIME, ms."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000

    def monotonic(self) -> float:
        """CLOCK_MONOTONIC, s."""
        return time.monotonic()

    def synchronised(self) -> bool:
        """Whether the kernel's own error bound is below 16 s.

        The kernel lets the bound grow while nothing disciplines the clock; the plain flag is no
        help, for some time daemons leave it set.
        """
        state = _Timex()
        failed = self._adjtimex(ctypes.byref(state)) < 0
        return not failed and state.maxerror < _KNOWN_WITHIN_US


class _Timex(ctypes.Structure):
    """The head of the kernel's ``struct timex``, with room for its rest."""

    _fields_ = [  # type: ignore[mutable-override]  # ctypes calls it mutable, nobody mutates it
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("rest", ctypes.c_byte * 256),
    ]
