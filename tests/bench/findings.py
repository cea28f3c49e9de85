"""What a verdict and a report take: time and memory, on nine months with all that goes wrong.

The record is that of `ninemonths` with a reading a minute: 63 probes, four phases, contacts, gaps,
broken pins, a curve corrected half way and all converted again under it. The commands are the real
ones, in processes of their own; memory is the most that one held at a time.
"""

import os
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from statistics import median

import ninemonths
from bench.figures import Figure
from longsoak.store.files import folder_of
from longsoak.store.reader import Record
from processes import COMMAND

EVERY_MS = 60_000
ROUNDS = 3
NAMED = f"{len(ninemonths.NAMES)} probes, {ninemonths.DAYS} days, a reading a minute"


def figures() -> list[Figure]:
    """Measure all."""
    with tempfile.TemporaryDirectory() as folder:
        rig_file = ninemonths.record(Path(folder) / "rig", every_ms=EVERY_MS)
        return list(_figures(rig_file, Path(folder)))


def _figures(rig_file: Path, folder: Path) -> Iterator[Figure]:
    read = _read(rig_file)
    peer = "unpacking the same readings once"
    seconds, most = _taken("findings", rig_file, status=1)
    yield Figure(f"verdicts, {NAMED}: time", seconds, "s", 10.0, peer, seconds / read)
    out, pdf = folder / "report.html", folder / "report.pdf"
    seconds, most = _taken("report", rig_file, out, "--pdf", pdf)
    yield Figure(f"report, {NAMED}: time to HTML and PDF", seconds, "s", 20.0, peer, seconds / read)
    _, bare = _run((sys.executable, "-c", "import numpy, matplotlib.figure, reportlab.platypus"), 0)
    libraries = "a Python that imports numpy, matplotlib, reportlab"
    yield Figure(f"report, {NAMED}: most memory", most, "MB", 400.0, libraries, most / bare)


def _read(rig_file: Path) -> float:
    record = Record(folder_of(rig_file))
    record.remember_all_times()
    began = time.perf_counter()
    for name in ninemonths.NAMES:
        record.columns([name], since_ms=0, until_ms=2**62)
    return time.perf_counter() - began


def _taken(*words: object, status: int = 0) -> tuple[float, float]:
    """Seconds and MB of a command: the median, and the most, of some rounds."""
    rounds = [_run((str(COMMAND), *map(str, words)), status) for _ in range(ROUNDS)]
    return median(seconds for seconds, _ in rounds), max(mb for _, mb in rounds)


def _run(command: tuple[str, ...], status: int) -> tuple[float, float]:
    began = time.perf_counter()
    with Path(os.devnull).open("wb") as nowhere:
        actions = [(os.POSIX_SPAWN_DUP2, nowhere.fileno(), 1)]
        child = os.posix_spawnp(command[0], command, os.environ, file_actions=actions)
        _, ended, used = os.wait4(child, 0)
    seconds = time.perf_counter() - began
    assert os.waitstatus_to_exitcode(ended) == status, command
    return seconds, used.ru_maxrss / 1000
