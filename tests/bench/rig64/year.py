"""A year of recording without its waits: ``python -m bench.rig64.year FOLDER``.

The recorder and its chores as the service makes them, on a clock that is set; the look over the
record is left out, for it is another process's memory. It prints the memory it takes after the
first tenth of the year and at its end, MB, and how many scans and closed days the record then has.
"""

import os
import queue
import sys
from dataclasses import replace
from pathlib import Path

from bench.kept64 import START_MS, Simulated, Wood, rig
from bench.rig64.started import pss_mb
from longsoak.core.wording import rfc3339
from longsoak.service.buses import Pass
from longsoak.service.chores import Chore
from longsoak.service.dayclosing import DayClosing
from longsoak.service.disk import Disk
from longsoak.service.folding import Folding
from longsoak.service.recorder import Message, Recorder
from longsoak.service.upkeep import Upkeep
from longsoak.store.inbox import Inbox
from longsoak.store.ledger import Ledger
from longsoak.store.reader import Record
from longsoak.store.unkept import Unkept
from longsoak.store.writer import RecordWriter

EVERY = 600  # s between two passes
PASSES = 365 * 86_400 // EVERY
TOGETHER = 6  # passes of an hour taken in one turn, or most of the time goes into waiting for disks


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


def main(folder: Path) -> None:
    """Record a year."""
    clock, wood, messages = Simulated(), Wood(), queue.SimpleQueue[Message]()
    writer = RecordWriter(folder, now=rfc3339(START_MS))
    writer.accept_rig("", utc_ms=START_MS)
    writer.begin_run(
        boot=clock.boot,
        software="0",
        utc_ms=START_MS,
        boottime_ms=clock.boottime_ms(),
        synchronised=True,
    )
    slow = replace(rig(), probes=tuple(replace(p, every=EVERY, record=EVERY) for p in rig().probes))
    summaries, inbox = writer.summaries(), Inbox(folder)
    disk, folding = Disk(writer, marks=slow.marks, rebuildable=summaries), Folding(writer)
    recorder = Recorder(
        slow,
        writer=writer,
        inbox=inbox,
        clock=clock,
        messages=messages,
        unkept=Unkept(),
        committed=lambda: None,
        seen=lambda taken: None,
        closer=lambda wanted: None,
        disk=lambda: {**disk.standing(), **folding.standing()},
    )
    due = Due([Upkeep(writer.sealing(), summaries), DayClosing(folder, writer), disk, folding])
    for number in range(1, PASSES + 1):
        clock.after_ms += EVERY * 1000
        samples = wood.samples(clock.after_ms)
        messages.put(Pass("wood", samples, clock.monotonic(), None, None))
        if number % TOGETHER == 0:
            recorder.turn()
            due.do(now=clock.monotonic(), utc_ms=clock.utc_ms())
        if number in (PASSES // 10, PASSES):
            sys.stdout.write(f"{pss_mb(os.getpid())}\n")
    recorder.drain()
    sys.stdout.write(f"{Record(folder).version()[0]}\n{len(Ledger(folder).heads())}\n")
    summaries.close()
    inbox.close()
    writer.close()


main(Path(sys.argv[1]))
