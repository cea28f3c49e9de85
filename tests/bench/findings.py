"""What a verdict and a report take: time and memory, on nine months with all that goes wrong.

The record is that of `ninemonths` with a reading a minute: 63 probes, four phases, contacts, gaps,
broken pins, a curve corrected half way and all converted again under it. The commands are the real
ones, in processes of their own; memory is the most that one and all it began held at a time.
"""

import re
import subprocess
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
    """Seconds, and the most MB that the command and all it began held at a time."""
    began, most = time.perf_counter(), 0.0
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as child:
        while child.poll() is None:
            most = max(most, _held(child.pid))
            time.sleep(0.1)
        seconds = time.perf_counter() - began
    assert child.returncode == status, command
    return seconds, most


def _held(pid: int) -> float:
    """Proportional set size of a process and its children, MB; what ended meanwhile holds none."""
    own = Path("/proc") / str(pid)
    try:
        rollup = (own / "smaps_rollup").read_text(encoding="ascii")
        children = (own / "task" / str(pid) / "children").read_text(encoding="ascii").split()
    except OSError:
        return 0.0
    kilobytes = re.search(r"^Pss: +(\d+)", rollup, re.MULTILINE)
    held = float(kilobytes[1]) / 1000 if kilobytes else 0.0
    return held + sum(_held(int(child)) for child in children)
