"""A rig of 64 probes without hardware: passes as a bus would bring them, and the real recorder."""

import math
import queue
import random
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from longsoak.rigfile.load import parse
from longsoak.service.buses import Pass
from longsoak.service.chores import Chore, Chores
from longsoak.service.dayclosing import DayClosing
from longsoak.service.drivers import find_kind
from longsoak.service.healthkeeping import HealthKeeping
from longsoak.service.recorder import Message, Recorder
from longsoak.service.upkeep import Upkeep
from longsoak.store.inbox import Inbox
from longsoak.store.unkept import Unkept
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.rig import Rig
from longsoak.vocabulary.sample import Sample
from whole.thermorig import HEAD

START_MS = 1_777_885_200_000
PINS, AIR = 60, 4
PROBES = PINS + AIR
EVERY_MS = 60_000

_PINS = """
[[probes]]
name = "pins {n}"
kind = "pins"
bay = "panel"
depth = {depth}
height = {height}
bus = "wood"
address = {{ name = "P{n}" }}
every = 60
curve = "Douglas-fir (coast)"
temperature = "T {t}"
"""
_AIR = """
[[probes]]
name = "T {n}"
kind = "temperature"
bay = "panel"
depth = 90
height = {height}
bus = "wood"
address = {{ name = "T{n}" }}
every = 60
"""


def rig_text() -> str:
    """Sixty pairs of pins and four thermometers on one bus, with the usual alarms."""
    head, _, _ = HEAD.partition("[[buses]]")
    text = head + '[[buses]]\nname = "wood"\ndriver = "lines"\nport = "/dev/null"\n'
    text += "".join(_AIR.format(n=n, height=20 + 90 * n) for n in range(AIR))
    text += "".join(
        _PINS.format(n=n, t=n % AIR, depth=10 + n % 6 * 30, height=20 + n // 6 * 40)
        for n in range(PINS)
    )
    return text


def rig() -> Rig:
    """The same as checked."""
    return parse(rig_text(), file="rig.toml", find_kind=find_kind)


class Simulated:
    """A clock that is set by whoever drives it."""

    boot = "simulated"

    def __init__(self) -> None:
        self.after_ms = 0

    def utc_ms(self) -> int:
        """Wall clock."""
        return START_MS + self.after_ms

    def boottime_ms(self) -> int:
        """CLOCK_BOOTTIME."""
        return 60_000 + self.after_ms

    def monotonic(self) -> float:
        """CLOCK_MONOTONIC."""
        return self.boottime_ms() / 1000

    def synchronised(self) -> bool:
        """Always."""
        return True


class Wood:
    """What a meter of six digits and thermometers of a sixteenth of a degree read for months."""

    def __init__(self, seed: int = 6) -> None:
        self._random = random.Random(seed)  # noqa: S311 - readings, not secrets
        self._logs = [self._random.uniform(15.0, 21.0) for _ in range(PINS)]

    def samples(self, after_ms: int) -> list[Sample]:
        """One pass: wetter from week to week, a day's swing of temperature, and noise."""
        gauss = self._random.gauss
        swing = 2 * math.sin(after_ms / 86_400_000 * 2 * math.pi)
        found = [
            Sample(f"T {n}", round((18 + swing + n / 4 + gauss(0, 0.03)) * 16) / 16, "Cel")
            for n in range(AIR)
        ]
        dried = 4 * math.sin(after_ms / (270 * 86_400_000) * math.pi)
        for n, start in enumerate(self._logs):
            ohm = math.exp(start - dried - 0.07 * swing + gauss(0, 0.002))
            found.append(Sample(f"pins {n}", float(f"{ohm:.5E}"), "Ohm"))
        return found


class Path64:
    """The whole path from a sample to the card, driven pass by pass."""

    def __init__(self, folder: Path, of: Rig, boot: str) -> None:
        self.clock = Simulated()
        self.messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
        self.rig = of
        self.folder = folder
        self.writer = RecordWriter(folder, now="2026-05-04T09:00:00.000Z")
        self.writer.accept_rig("", utc_ms=START_MS)
        self.writer.begin_run(
            boot=boot,
            software="0",
            utc_ms=START_MS,
            boottime_ms=60_000,
            synchronised=True,
        )
        self.summaries = self.writer.summaries()
        self.inbox = Inbox(folder)
        self.recorder = Recorder(
            self.rig,
            writer=self.writer,
            inbox=self.inbox,
            clock=self.clock,
            messages=self.messages,
            unkept=Unkept(),
            committed=lambda: None,
            seen=lambda taken: None,
            closer=lambda wanted: None,
        )
        self._each: list[Chore] = [
            Upkeep(self.writer.sealing(), self.summaries),
            DayClosing(folder, self.writer),
            HealthKeeping(folder, self.writer, of),
        ]
        self._chores = Chores(self._each)

    def put(self, samples: list[Sample]) -> None:
        """Bring one pass."""
        self.clock.after_ms += EVERY_MS
        self.messages.put(Pass("wood", samples, self.clock.monotonic(), None, None))

    def turn(self) -> None:
        """One turn of the recorder with its bite of the chores, as in the service."""
        self.recorder.turn()
        self._chores.bite(now=self.clock.monotonic(), utc_ms=self.clock.utc_ms())

    def catch_up(self) -> None:
        """Do all that is due, as it would be done by and by."""
        for chore in self._each:
            while chore.do(now=self.clock.monotonic(), utc_ms=self.clock.utc_ms())[0] == 0:
                pass

    def close(self) -> None:
        """End it as the service does."""
        self.recorder.drain()
        self.summaries.close()
        self.inbox.close()
        self.writer.close()


@contextmanager
def path64(folder: Path, *, of: Rig | None = None, boot: str = "simulated") -> Iterator[Path64]:
    """The whole path, closed in the end."""
    path = Path64(folder, of or rig(), boot)
    try:
        yield path
    finally:
        path.close()
