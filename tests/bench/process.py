"""What the processes take of the machine: memory, the time to start, and the processor.

Sixty-four probes on four buses, each polled and kept every ten seconds, by the real `longsoak run`;
the hardware is another process's ptys and files, the broker and the database are real. All but the
start of a new record goes on with the record of a year, so that what grows with it counts. Modules
are compiled beforehand, as installing does it. What the pages take is in `pages`.
"""

import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from statistics import median
from typing import NamedTuple

from bench.figures import Figure, Unmeasured
from bench.rig64.layout import BUSES, EACH, rig_text
from bench.rig64.started import (
    TESTS,
    busy,
    compiled,
    hardware,
    memory_of,
    pss_mb,
    run_python,
    started,
)
from longsoak.store.files import RECORD, connect_read_only
from processes import COMMAND
from servers import (
    HOST,
    broker,
    listener,
    time_series_server,
)

EVERY = 10  # s between two polls of a probe
ROUNDS = 3
STARTS = 5
SETTLE = 1.5 * EVERY  # s after the first scan: everything has been done twice
SECONDS = 60  # of processor time
PREFIX = "rigs/bench"
MANY = f"{EACH * len(BUSES)} probes each {EVERY} s, a year recorded"

_OUTLETS = """
[notices.mqtt]
host = "{host}"
port = {mqtt}
prefix = "{prefix}"

[forward.mqtt]

[forward.database]
url = "{url}"
bucket = "rig"
"""


class Run(NamedTuple):
    """A `longsoak run` of one rig file, and the surroundings it is started in."""

    rig_file: Path
    surroundings: dict[str, str]

    @property
    def record(self) -> Path:
        """The database it writes."""
        return self.rig_file.parent / "record" / RECORD

    def log(self) -> str:
        """What it said so far."""
        return self._log.read_text(errors="replace")

    @property
    def _log(self) -> Path:
        return self.rig_file.with_name("run.log")

    def scans(self) -> int:
        """Number of the newest scan; 0 while there is none."""
        try:
            with closing(connect_read_only(self.record)) as db:
                (newest,) = db.execute("SELECT ifnull(max(id), 0) FROM scan").fetchone()
        except sqlite3.Error:  # not laid out yet
            return 0
        return int(newest)

    @contextmanager
    def going(self) -> Iterator[tuple[int, float]]:
        """Its process, and the seconds from its start to the first scan others can read."""
        before = self.scans()
        start = time.perf_counter()
        with started(
            *(COMMAND, "run", self.rig_file),
            surroundings=self.surroundings,
            log=self._log,
        ) as process:
            while self.scans() == before:
                assert time.perf_counter() - start < 30, "no scan came"
                time.sleep(0.002)
            yield process.pid, time.perf_counter() - start


def figures() -> list[Figure | Unmeasured]:
    """Measure all."""
    with hardware() as folder:
        surroundings = compiled(folder / "compiled")
        year = _laid_out(folder, "year", surroundings)
        growth, bare_share = _year(folder, year)
        with year.going():
            pass  # what is compiled is compiled now
        return [
            *_starts(folder, year),
            *_alone(year, bare_share),
            *_with_others(folder, year),
            growth,
        ]


def _laid_out(folder: Path, name: str, surroundings: dict[str, str]) -> Run:
    rig_file = folder / name / "rig.toml"
    rig_file.parent.mkdir()
    rig_file.write_text(rig_text(folder, every=EVERY))
    return Run(rig_file, surroundings)


def _year(folder: Path, run: Run) -> tuple[Figure, float]:
    """What a simulated year adds to memory; beside it, the share of a core of the bare loop, %."""
    end_ms = time.time_ns() // 1_000_000
    command = [sys.executable, "-m", "bench.rig64.year", str(run.rig_file), str(end_ms)]
    with subprocess.Popen(
        command, cwd=TESTS, env=run.surroundings, stdout=subprocess.PIPE, text=True
    ) as year:
        loop = [sys.executable, "-m", "bench.rig64.bare", str(folder), str(SECONDS), str(EVERY)]
        bare = subprocess.run(loop, cwd=TESTS, capture_output=True, text=True, check=True)
        said, _ = year.communicate()
    assert year.returncode == 0
    tenth, end, scans, days = (float(line) for line in said.split())
    assert scans == 365 * 96 * len(BUSES)
    assert days >= 364
    growth = Figure(
        "a simulated year of 64 probes each 900 s: memory more at its end",
        *(100 * (end / tenth - 1), "%", 5.0),
        "the same process after the first tenth",
        end / tenth,
    )
    return growth, 100 * float(bare.stdout) / SECONDS


def _starts(folder: Path, year: Run) -> Iterator[Figure]:
    """From the start of the process to a scan that others can read."""
    first: list[float] = []
    later: list[float] = []
    bare: list[float] = []
    for number in range(STARTS):
        fresh = _laid_out(folder, f"fresh {number}", year.surroundings)
        for run, took in ((fresh, first), (year, later)):
            with run.going() as (_, seconds):
                took.append(seconds)
        start = time.perf_counter()
        run_python("import sqlite3, serial, pydantic", year.surroundings)
        bare.append(time.perf_counter() - start)
    peer = "a Python that imports sqlite3, serial and pydantic"
    for name, took in (("a year recorded", later), ("a new record", first)):
        seconds = median(took)
        yield Figure(
            f"start to first committed scan, {name}",
            *(seconds, "s", 0.4, peer, seconds / median(bare)),
        )


def _alone(run: Run, bare_share: float) -> Iterator[Figure]:
    """Memory without outlets, and the processor's time over the last of the runs."""
    memory = []
    for number in range(ROUNDS):
        with run.going() as (process, _):
            time.sleep(SETTLE)
            memory.append(pss_mb(process))
            if number == ROUNDS - 1:
                before, scans = busy(process), run.scans()
                time.sleep(SECONDS)
                share = 100 * (busy(process) - before) / SECONDS
                assert run.scans() - scans >= len(BUSES) * (SECONDS // EVERY - 1)
    bare = memory_of("import sqlite3, serial, pydantic", run.surroundings)
    yield Figure(
        f"{MANY}, nothing sent: memory",
        *(median(memory), "MB", 48.0),
        "a Python that imports sqlite3, serial and pydantic",
        median(memory) / bare,
    )
    yield Figure(
        f"{MANY}, nothing sent: processor time",
        *(share, "% of a core", 1.5),
        "a bare loop over the same ports and files",
        share / bare_share,
    )


def _with_others(folder: Path, run: Run) -> Iterator[Figure | Unmeasured]:
    """Memory while a broker gets all readings and a database the whole year."""
    name = f"{MANY} and sent by MQTT and to a database: memory"
    lacking = [name for name in ("mosquitto", "victoria-metrics") if shutil.which(name) is None]
    if lacking:
        yield Unmeasured(name, "<= 90 MB", f"{lacking[0]} is not installed")
        return
    rounds = [_round(folder / f"others {number}", run) for number in range(ROUNDS)]
    sending = median(rounds)
    libraries = "sqlite3, serial, pydantic, paho.mqtt.client, influxdb_client"
    bare = memory_of(f"import {libraries}", run.surroundings)
    yield Figure(name, sending, "MB", 90.0, f"a Python that imports {libraries}", sending / bare)


def _round(others: Path, run: Run) -> float:
    """Memory of the run while it sends."""
    plain = run.rig_file.read_text().partition(_OUTLETS.partition("{")[0])[0]
    with ExitStack() as stack:
        mqtt = stack.enter_context(broker(others / "broker"))
        database = stack.enter_context(time_series_server(others / "database"))
        heard = stack.enter_context(listener(mqtt.port))
        more = _OUTLETS.format(host=HOST, mqtt=mqtt.port, prefix=PREFIX, url=database.url)
        run.rig_file.write_text(plain + more)
        process, _ = stack.enter_context(run.going())
        time.sleep(SETTLE)
        topics = {message.topic for message in heard.messages}
        probes = [topic for topic in topics if topic.startswith(f"{PREFIX}/probes/")]
        assert len(probes) == EACH * len(BUSES), (len(probes), run.log())
        assert database.count("humidity_value", probe="modbus 0") > 1, run.log()
        return pss_mb(process)
