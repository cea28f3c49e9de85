"""What polling costs, how late it comes, and what buses that hang do to the others.

Sixty-four probes on four buses, each polled and kept every second, by the real `longsoak run`; the
hardware is another process's ptys and files. The peer is a bare loop over the same hardware.
"""

import math
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from bench.figures import Figure
from bench.rig64.layout import ASKED, BUSES, EACH, SILENT, STUCK, rig_text
from bench.rig64.started import TESTS, busy, hardware
from longsoak.store.files import RECORD, connect_read_only
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import StoreError
from processes import running
from waiting import wait_for

SETTLE = 5  # s after the start before anything is counted
SECONDS = 60
BARE_SECONDS = 30


class Run(NamedTuple):
    """Share of a core in %; beginnings of passes at each port and ends of those of each bus.

    Times are CLOCK_BOOTTIME in ms: the beginnings as the hardware saw them, the ends as the record
    has them.
    """

    share: float
    begun: dict[str, list[float]]
    ended: dict[str, list[float]]


def figures() -> list[Figure]:
    """Measure all."""
    with hardware() as folder:
        quiet = _daemon(folder, "quiet", hung=False)
        bare = _bare(folder)
        beside = _daemon(folder, "beside", hung=True)
    many = f"{EACH * len(BUSES)} probes on {len(BUSES)} buses each second"
    late, bare_late = _late(quiet), _late(bare)
    worst, usual = _worst_step(beside), _worst_step(quiet)
    return [
        Figure(
            f"{many}: processor time",
            quiet.share,
            "% of a core",
            10.0,
            "a bare loop over the same ports and files",
            quiet.share / bare.share,
        ),
        Figure(
            f"{many}: first question of a pass after its second, p99",
            late,
            "ms",
            4.0,
            "the bare loop's",
            late / bare_late,
        ),
        Figure(
            f"{many}, beside a silent port and files that hang: worst step off its second",
            worst / 10,
            "%",
            5.0,
            "the same without those two buses",
            worst / usual,
        ),
    ]


def _daemon(hardware: Path, name: str, *, hung: bool) -> Run:
    """One run of the daemon, its record in a folder of its own."""
    folder = hardware / name
    folder.mkdir()
    rig_file = folder / "rig.toml"
    rig_file.write_text(rig_text(hardware, hung=hung))
    with running(rig_file) as run:
        wait_for(lambda: _scanned(folder / "record"), what="the first scan")
        time.sleep(SETTLE)
        since, before = _boottime_ms(), busy(run.process.pid)
        time.sleep(SECONDS)
        spent = busy(run.process.pid) - before
        until = _boottime_ms()
        begun, ended = (
            _begun(hardware, since, until),
            _within(_ends(folder / "record" / RECORD), since, until),
        )
        run.stop()
    # What was timed is the whole of it; one second may straddle each end.
    assert all(len(ended[bus]) >= SECONDS - 2 for bus in BUSES), ended
    assert (SILENT in ended and STUCK in ended) is hung, ended
    return Run(100 * spent / SECONDS, begun, {bus: ended[bus] for bus in BUSES})


def _scanned(record: Path) -> bool:
    try:
        return Record(record).version()[0] > 0
    except StoreError:  # not laid out yet
        return False


def _bare(hardware: Path) -> Run:
    """The peer, in a process of its own like the daemon."""
    command = [sys.executable, "-m", "bench.rig64.bare", str(hardware), str(BARE_SECONDS), "1"]
    since = _boottime_ms()
    done = subprocess.run(command, cwd=TESTS, capture_output=True, text=True, check=True)
    begun = _begun(hardware, since, _boottime_ms())
    # Its first look is off the grid; and its modbus pass waits for the one before it.
    return Run(100 * float(done.stdout) / BARE_SECONDS, {"lines": begun["lines"][1:]}, {})


def _begun(hardware: Path, since: float, until: float) -> dict[str, list[float]]:
    """When passes began at each port."""
    begun: dict[str, list[float]] = {}
    for line in (hardware / ASKED).read_text().splitlines():
        port, at = line.split()
        begun.setdefault(port, []).append(float(at))
    return _within(begun, since, until)


def _within(times: dict[str, list[float]], since: float, until: float) -> dict[str, list[float]]:
    return {name: [at for at in some if since <= at <= until] for name, some in times.items()}


def _ends(record: Path) -> dict[str, list[float]]:
    """When each bus's passes ended, as the record has it."""
    ends: dict[str, list[float]] = {}
    with closing(connect_read_only(record)) as db:
        for bus, at in db.execute(
            "SELECT layout.bus, scan.boottime_ms FROM scan JOIN layout ON layout.id = scan.layout"
            " ORDER BY scan.id"
        ):
            ends.setdefault(bus, []).append(float(at))
    return ends


def _late(run: Run) -> float:
    """How late passes began, the 99th in a hundred, after the earliest on their grid of seconds."""
    late: list[float] = []
    for begun in run.begun.values():
        phases = [(at - begun[0] + 500) % 1000 for at in begun]
        late += [phase - min(phases) for phase in phases]
    return sorted(late)[math.ceil(0.99 * len(late)) - 1]


def _worst_step(run: Run) -> float:
    """The farthest any two passes on end of a bus were from a second apart, ms."""
    return max(_off(ends) for ends in run.ended.values())


def _off(ends: Sequence[float]) -> float:
    return max(abs(b - a - 1000) for a, b in pairwise(ends))


def _boottime_ms() -> float:
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) / 1e6
