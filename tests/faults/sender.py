"""A process that writes scans and alarms at the speed of real time, and sends them on.

Run by `faults.sending`. The record, its outlets and their threads are the service's own; so is what
is done with what they report. Only buses are left out.
"""

import argparse
import json
import queue
import sys
import threading
from contextlib import suppress
from pathlib import Path

from faults.chance import drawn_from
from longsoak.service.clock import SystemClock
from longsoak.service.makeoutlets import make_outlets
from longsoak.service.messages import CursorMoved, News, OutletNews
from longsoak.store.readback import ReadBack
from longsoak.store.reader import Record
from longsoak.store.unkept import AlarmsOnTheirWay, Unkept
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.destinations import Database, Mqtt
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan
from longsoak.vocabulary.rig import Rig
from rigs import small_rig

EVERY = 0.05  # s from scan to scan
BACKLOG_EVERY_MS = 25  # between scans from before the start
CHANGE_EVERY = 10  # scans
PREFIX = "rigs/faults"
PROBES = (("T core", "Cel"), ("RH room", "%"), ("C 30/60", "Ohm"))


def rig_with(settings: str) -> Rig:
    """The rig with its outlets, from JSON: `url`, `overlap`, `token_file`, `port`, `readings`."""
    wanted = json.loads(settings)
    rig = small_rig()
    if "url" in wanted:
        database = Database(
            wanted["url"], "-", "rig", wanted.get("token_file"), wanted.get("overlap", 60.0)
        )
        rig = small_rig(database=database)
    if "port" in wanted:
        mqtt = Mqtt(
            "127.0.0.1", wanted["port"], PREFIX, None, None, readings=wanted.get("readings", 500.0)
        )
        rig = small_rig(database=rig.database, mqtt=mqtt)
    return rig


def main() -> int:
    """Write and send until there is enough, then only send until killed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--settings", required=True)
    parser.add_argument("--backlog", type=int, default=0, help="scans from before the start")
    parser.add_argument("--enough", type=Path, required=True, help="is there once it is enough")
    chosen = parser.parse_args()
    Sender(chosen.folder, rig_with(chosen.settings)).work(chosen.backlog, chosen.enough)
    return 0


class Sender:
    """Writes, sends, and keeps where its outlets came to."""

    def __init__(self, folder: Path, rig: Rig) -> None:
        self._clock = SystemClock()
        self._base_ms = self._clock.utc_ms() - self._clock.boottime_ms()
        self._writer = RecordWriter(folder, now="2031-02-03T04:05:06Z")
        boottime_ms = self._clock.boottime_ms()
        utc_ms = self._base_ms + boottime_ms
        self._writer.accept_rig(f"# {rig.name}", utc_ms=utc_ms)
        self._writer.begin_run(
            boot=self._clock.boot,
            software="0",
            utc_ms=utc_ms,
            boottime_ms=boottime_ms,
            synchronised=True,
        )
        self._number, _ = Record(folder).version()
        self._last_ms = 0
        self._reports: queue.SimpleQueue[News] = queue.SimpleQueue()
        self._outlets = make_outlets(
            rig,
            folder,
            record=AlarmsOnTheirWay(folder, Unkept()),
            clock=self._clock,
            software="0",
            since_ms=self._clock.utc_ms(),
            measured=ReadBack(folder).newest_measured,
            put=self._reports.put,
        )

    def work(self, backlog: int, enough: Path) -> None:
        """Write until there is enough, and send for ever."""
        if self._number == 0:
            now = self._clock.boottime_ms()
            batch = Batch()
            for ago in range(backlog, 0, -1):
                self._add_scan(batch, now - ago * BACKLOG_EVERY_MS)
            self._writer.commit(batch)
        for outlet in self._outlets:
            outlet.start()
        never = threading.Event()
        while True:
            batch = Batch()
            self._take_reports(batch)
            if not enough.exists():
                self._add_scan(batch, self._clock.boottime_ms())
            self._writer.commit(batch)
            for outlet in self._outlets:
                outlet.wake()
            never.wait(EVERY)

    def _take_reports(self, batch: Batch) -> None:
        with suppress(queue.Empty):
            while True:
                report = self._reports.get_nowait()
                if isinstance(report, CursorMoved):
                    batch.cursors[report.outlet] = (report.position, self._clock.utc_ms())
                elif not (isinstance(report, OutletNews) and report.away is None):
                    sys.stderr.write(f"{report}\n")
                    sys.stderr.flush()

    def _add_scan(self, batch: Batch, boottime_ms: int) -> None:
        self._number += 1
        boottime_ms = self._last_ms = max(boottime_ms, self._last_ms + 1)
        chance = drawn_from("sent", self._number)
        n = len(PROBES)
        raw = tuple(self._number + place / 8 for place in range(n))
        batch.scans.append(
            Scan(
                "air",
                self._base_ms + boottime_ms,
                boottime_ms,
                True,
                tuple(probe for probe, _ in PROBES),
                tuple(unit for _, unit in PROBES),
                raw,
                tuple(round(chance.uniform(0, 100) * 16) / 16 for _ in range(n)),
                (0.5,) * n,
                (Flag.PASS,) * n,
                (Reason.NONE,) * n,
            )
        )
        if self._number % CHANGE_EVERY == 0:
            batch.changes.append(self._change(boottime_ms))

    def _change(self, boottime_ms: int) -> AlarmChange:
        turn = self._number // CHANGE_EVERY
        key = ("overfill: water level", "silent: C 30/60")[turn % 2]
        old, new = AlarmState.NORMAL, AlarmState.NEW
        if turn // 2 % 2:
            old, new = new, old
        utc_ms = self._base_ms + boottime_ms
        return AlarmChange(key, utc_ms, boottime_ms, old, new, None, f"change {turn}", None)


if __name__ == "__main__":
    sys.exit(main())
