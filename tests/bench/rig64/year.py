"""A year of recording without its waits: ``python -m bench.rig64.year RIGFILE END``.

The recorder and its chores as the service makes them, on a clock that is set and comes to END, UTC
ms; the look over the record is left out, for it is another process's memory. It prints the memory
that is its own after the first tenth of the year and at its end, MB, how many scans and closed days
the record then has. The rest of its memory is files it maps, which counts for less the more others
map them too.
"""

import math
import os
import queue
import random
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from bench.kept64 import Simulated
from bench.rig64.layout import EACH
from bench.rig64.started import anonymous_mb
from longsoak.core.wording import rfc3339
from longsoak.service.buses import Pass
from longsoak.service.chores import Chore
from longsoak.service.dayclosing import DayClosing
from longsoak.service.disk import Disk
from longsoak.service.drivers import load_rig
from longsoak.service.folding import Folding
from longsoak.service.healthkeeping import HealthKeeping
from longsoak.service.recorder import Message, Recorder
from longsoak.service.upkeep import Upkeep
from longsoak.store.files import folder_of
from longsoak.store.inbox import Inbox
from longsoak.store.ledger import Ledger
from longsoak.store.reader import Record
from longsoak.store.unkept import Unkept
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.sample import Sample

EVERY = 900  # s between two passes of each bus
DAY, YEAR = 86_400, 365 * 86_400
TURNS = YEAR // EVERY
AT_ONCE = 4  # turns of an hour in one commit, or most of the time goes into waiting for the disk


class Ending(Simulated):
    """A year that ends when it is told to."""

    def __init__(self, end_ms: int) -> None:
        super().__init__()
        self._start_ms = end_ms - YEAR * 1000

    def utc_ms(self) -> int:
        """Wall clock."""
        return self._start_ms + self.after_ms


class Due:
    """Does what is due to its end: between two passes there is time for all of it."""

    def __init__(self, chores: list[Chore]) -> None:
        self._due = dict.fromkeys(range(len(chores)), 0.0)
        self._chores = chores

    def do(self, *, now: float, utc_ms: int) -> None:
        for number, chore in enumerate(self._chores):
            while self._due[number] <= now:
                again, _ = chore.do(now=now, utc_ms=utc_ms)
                if again > 0:
                    self._due[number] = now + again


def passes(seconds: float, wood: random.Random, now: float) -> Iterator[Pass]:
    """What the four buses bring at a time of the year: drier until summer, and a day's swing."""
    day, year = (math.sin(seconds / period * 2 * math.pi) for period in (DAY, YEAR))
    gauss = wood.gauss
    warm = [
        Sample(f"onewire {n}", round((18 + 2 * day + n / 4 + gauss(0, 0.03)) * 16) / 16, "Cel")
        for n in range(EACH)
    ]
    damp = [
        Sample(f"modbus {n}", round(60 - 10 * year - 3 * day + n / 2 + gauss(0, 0.1), 1), "%")
        for n in range(EACH)
    ]
    yield Pass("onewire", warm, now, None, None)
    yield Pass("modbus", damp, now, None, None)
    for bus in ("lines", "iio"):
        logs = [15 + n / 3 + 2 * year - 0.07 * day + gauss(0, 0.002) for n in range(EACH)]
        ohms = [float(f"{math.exp(log):.5E}") for log in logs]
        yield Pass(
            bus, [Sample(f"{bus} {n}", o, "Ohm") for n, o in enumerate(ohms)], now, None, None
        )


def main(rig_file: Path, end_ms: int) -> None:
    """Record a year."""
    folder, (rig, text) = folder_of(rig_file), load_rig(rig_file)
    clock, wood, messages = Ending(end_ms), random.Random(6), queue.SimpleQueue[Message]()  # noqa: S311
    writer = RecordWriter(folder, now=rfc3339(clock.utc_ms()))
    writer.accept_rig(text, utc_ms=clock.utc_ms())
    writer.begin_run(
        boot=clock.boot,
        software="0",
        utc_ms=clock.utc_ms(),
        boottime_ms=clock.boottime_ms(),
        synchronised=True,
    )
    slow = tuple(replace(probe, every=EVERY, record=EVERY) for probe in rig.probes)
    summaries, inbox = writer.summaries(), Inbox(folder)
    disk, folding = Disk(writer, marks=rig.marks, rebuildable=summaries), Folding(writer)
    recorder = Recorder(
        replace(rig, probes=slow),
        writer=writer,
        inbox=inbox,
        clock=clock,
        messages=messages,
        unkept=Unkept(),
        committed=lambda: None,
        seen=lambda taken: None,
        closer=lambda wanted: None,
        computer=lambda: {**disk.standing(), **folding.standing()},
    )
    health = HealthKeeping(folder, writer, replace(rig, probes=slow))
    upkeep, closing = Upkeep(writer.sealing(), summaries), DayClosing(folder, writer)
    due = Due([upkeep, closing, health, disk, folding])
    for turn in range(1, TURNS + 1):
        clock.after_ms += EVERY * 1000
        for taken in passes(turn * EVERY, wood, clock.monotonic()):
            messages.put(taken)
        if turn % AT_ONCE == 0:
            recorder.turn()
            due.do(now=clock.monotonic(), utc_ms=clock.utc_ms())
        if turn in (TURNS // 10, TURNS):
            sys.stdout.write(f"{anonymous_mb(os.getpid())}\n")
    recorder.drain()
    sys.stdout.write(f"{Record(folder).version()[0]}\n{len(Ledger(folder).heads())}\n")
    summaries.close()
    inbox.close()
    writer.end_run(utc_ms=clock.utc_ms())
    writer.close()


main(Path(sys.argv[1]), int(sys.argv[2]))
