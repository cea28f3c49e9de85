"""The one place that reads a clock."""

import ctypes
import time
from pathlib import Path
from typing import Protocol

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
