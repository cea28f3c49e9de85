"""A board without a clock battery, and the true time it knows nothing of."""

from dataclasses import dataclass, field
from random import Random

SLEW = 500e-6  # as fast as a kernel slews; from memory
STEPS_ABOVE_MS = 400  # what a time daemon sets rather than slews; from memory
MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
YEAR = 365 * DAY


@dataclass
class Board:
    """Its clocks, beside an independent true one. Times in ms.

    The crystal runs wrong by `crystal` until the first synchronisation of a boot; from there on the
    kernel knows its error, but for `residual`.
    """

    chance: Random
    true: float
    boots: int = 0
    boottime: float = 0.0
    base: float = 0.0
    known: bool = False
    crystal: float = 0.0
    residual: float = 0.0
    disciplined: bool = False
    dates: list[str] = field(default_factory=list)

    @property
    def boot(self) -> str:
        """The kernel's id of this boot."""
        return f"boot {self.boots}"

    def utc_ms(self) -> int:
        """Wall clock."""
        return int(self.base + self.boottime)

    def boottime_ms(self) -> int:
        """CLOCK_BOOTTIME."""
        return int(self.boottime)

    def monotonic(self) -> float:
        """CLOCK_MONOTONIC, s."""
        return self.boottime / 1000

    def synchronised(self) -> bool:
        """What the kernel says."""
        return self.known

    @property
    def wrong(self) -> float:
        """How far the wall clock is ahead of the truth."""
        return self.base + self.boottime - self.true

    def go_on(self, ms: float) -> None:
        """Let time pass."""
        self.true += ms
        self.boottime += ms * (1 + (self.residual if self.disciplined else self.crystal))
        if self.known:  # slewed: wall clock and CLOCK_BOOTTIME alike
            self.boottime -= max(-SLEW * ms, min(SLEW * ms, self.wrong))

    def boot_anew(self, date: str) -> None:
        """After a power cut: `date` says where the wall clock begins."""
        before = self.base + self.boottime
        self.boots += 1
        self.dates.append(date)
        self.boottime = self.chance.uniform(5_000, 90_000)
        self.known = self.disciplined = False
        self.crystal = self.chance.uniform(-20e-6, 20e-6)
        self.residual = self.chance.uniform(-0.5e-6, 0.5e-6)
        utc = {
            "1970": self.boottime,
            "saved": before - self.chance.uniform(0, HOUR),
            "ahead": self.true + self.chance.uniform(30, 300) * DAY,
            "clock": self.true + self.chance.uniform(-300, 300),
            "clock off": self.true + self.chance.uniform(-90_000, 90_000),
        }[date]
        self.base = utc - self.boottime

    def set_by(self, ms: float) -> None:
        """By hand, or by a server that is wrong: the kernel takes its synchronisation back."""
        self.base += ms
        self.known = False

    def lose(self) -> None:
        """No server answers any more."""
        self.known = False

    def synchronise(self) -> None:
        """A server is found, right to some tens of ms."""
        if abs(self.wrong) > STEPS_ABOVE_MS:
            self.base -= self.wrong + self.chance.uniform(-50, 50)
        self.known = self.disciplined = True
