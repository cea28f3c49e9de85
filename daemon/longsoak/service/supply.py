"""The chore that asks the kernel whether the computer's supply was too low.

Source: torvalds/linux, drivers/hwmon/raspberrypi-hwmon.c and Documentation/hwmon/
raspberrypi-hwmon.rst; raspberrypi/linux, drivers/firmware/raspberrypi.c (read): the chip "rpi_volt"
asks the firmware every 2 s, clears what it remembers, and shows in ``in0_lcrit_alarm`` whether the
supply was too low since it asked last. ``get_throttled``, hexadecimal, is older and calls itself
deprecated in the kernel's log when it is read; bit 16 is "too low since it was last cleared". That
bit 0 is "too low now" is from memory.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from longsoak.core.wording import age_words, with_noun
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.happening import Event

SYS = Path("/sys")
LOOK = 2.0  # s: the kernel forgets what it saw after that
REMEMBERED = 60.0  # s a dip counts as standing: most last for less than any alarm's delay
TELL = 3600.0  # s between two events
_FIRMWARE = "devices/platform/soc/soc:firmware/get_throttled"
_NOW, _SINCE = 1 << 0, 1 << 16


class Supply:
    """Looks every 2 s, remembers a dip for a minute, and tells of changes once an hour at most.

    Parameters
    ----------
    sys : Path
        Where the kernel's tree lies.
    """

    name = "supply"

    def __init__(self, sys: Path = SYS) -> None:
        self._sys = sys
        self._alarm: Path | None = None
        self._low_at: float | None = None
        self._dips = 0
        self._was_low = False
        self._told: bool | None = None
        self._told_at = 0.0
        self._wrong: str | None = None

    def standing(self) -> Mapping[Watch, str | None]:
        """What is wrong with the supply, by the alarm that watches it."""
        return {Watch.UNDERVOLTAGE: self._wrong}

    def do(self, *, now: float, utc_ms: int) -> tuple[float, Sequence[Event]]:
        """Look, and tell with the first look and of changes. See `Chore`."""
        low = self._look()
        if low is None:
            self._wrong = None
            return REMEMBERED, ()  # the driver may be loaded later
        if low:
            self._dips += not self._was_low
            self._low_at = now
        self._was_low = low
        lately = self._low_at is not None and now - self._low_at < REMEMBERED
        self._wrong = "the supply was too low a moment ago" if lately else None
        return LOOK, self._tell(lately, now=now, utc_ms=utc_ms)

    def _tell(self, lately: bool, *, now: float, utc_ms: int) -> Sequence[Event]:
        changed = lately is not self._told or self._dips > 0
        if not changed or (self._told is not None and now - self._told_at < TELL):
            return ()
        times = with_noun(self._dips, "time")
        says = "as it should be"
        if self._dips:
            since = "" if self._told is None else f" within {age_words(now - self._told_at)}"
            says = f"too low {times}{since}"
        self._told, self._told_at, self._dips = lately, now, 0
        return [Event(utc_ms, "supply", "computer", says)]

    def _look(self) -> bool | None:
        """Whether it was too low just now; None where this computer does not tell."""
        if self._alarm is None:
            self._alarm = self._find()
        with suppress(OSError, ValueError):
            if self._alarm is not None:
                return int(self._alarm.read_text("ascii")) != 0
            bits = int((self._sys / _FIRMWARE).read_text("ascii"), 16)
            # Nobody clears it, so what was before the start counts once, with the first look.
            return bool(bits & _NOW) or (self._told is None and bool(bits & _SINCE))
        self._alarm = None  # chips are numbered anew when a driver is loaded again
        return None

    def _find(self) -> Path | None:
        for name in sorted((self._sys / "class/hwmon").glob("hwmon*/name")):
            with suppress(OSError, ValueError):
                if name.read_text("ascii").strip() == "rpi_volt":
                    return name.with_name("in0_lcrit_alarm")
        return None
