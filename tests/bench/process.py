"""What the processes take of the machine: memory, the time to start, and the processor.

Sixty-four probes on four buses, each polled and kept every ten seconds, by the real `longsoak run`;
the hardware is another process's ptys and files, the broker and the database are real, and so are
the hundred viewers' connections. Modules are compiled beforehand, as installing does it.

Memory is the proportional set size: what a process has alone, and its share of what others map too.
The bench and the hardware are Python as well, so a part of what any Python maps is shared here.
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
from bench.rig64.started import TESTS, busy, compiled, hardware, pss_mb, started
from bench.rig64.viewers import viewers
from longsoak.store.files import RECORD, connect_read_only
from processes import COMMAND
from servers import HOST, Listener, broker, free_port, listener, listens, time_series_server
from waiting import wait_for

EVERY = 10  # s between two polls of a probe
ROUNDS = 3
STARTS = 5
SETTLE = 2.5 * EVERY  # s after the first scan: outlets have sent, and all has been used twice
SECONDS = 60  # of processor time
VIEWERS = 100
VIEWED = 2.5 * EVERY  # s they look
MANY = f"{EACH * len(BUSES)} probes each {EVERY} s"

_OUTLETS = """
[notices.mqtt]
host = "{host}"
port = {mqtt}
prefix = "rigs/bench"

[forward.mqtt]

[forward.database]
url = "{url}"
bucket = "rig"
"""


class Run(NamedTuple):
    """A `longsoak run` of one rig file, with its log and what it is started with."""

    rig_file: Path
    surroundings: dict[str, str]

    @property
    def record(self) -> Path:
        """The database it writes."""
        return self.rig_file.parent / "record" / RECORD

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
        """Its process, and the seconds from its start to the first scan in the record."""
        before = self.scans()
        start = time.perf_counter()
        with started(
            *(COMMAND, "run", self.rig_file),
            surroundings=self.surroundings,
            log=self.rig_file.with_name("run.log"),
        ) as process:
            while self.scans() == before:
                assert time.perf_counter() - start < 30, "no scan came"
                time.sleep(0.002)
            yield process.pid, time.perf_counter() - start


def figures() -> list[Figure | Unmeasured]:
    """Measure all."""
    with hardware() as folder:
        surroundings = compiled(folder / "compiled")
        quiet = _laid_out(folder, "quiet", surroundings)
        with quiet.going():
            pass  # what is compiled is compiled now
        found: list[Figure | Unmeasured] = [
            *_starts(folder, quiet),
            *_alone(folder, quiet),
            *_with_others(folder, surroundings),
            _year(folder, surroundings),
        ]
    return found


def _laid_out(folder: Path, name: str, surroundings: dict[str, str], more: str = "") -> Run:
    rig_file = folder / name / "rig.toml"
    rig_file.parent.mkdir()
    rig_file.write_text(rig_text(folder, every=EVERY, more=more))
    return Run(rig_file, surroundings)


def _starts(folder: Path, again: Run) -> Iterator[Figure]:
    """From the start of the process to a scan that others can read."""
    first: list[float] = []
    later: list[float] = []
    bare: list[float] = []
    for number in range(STARTS):
        fresh = _laid_out(folder, f"fresh {number}", again.surroundings)
        for run, took in ((fresh, first), (again, later)):
            with run.going() as (_, seconds):
                took.append(seconds)
        start = time.perf_counter()
        _python("import sqlite3, serial, pydantic", again.surroundings)
        bare.append(time.perf_counter() - start)
    peer = "a Python that imports sqlite3, serial and pydantic"
    for name, took in (("a record that is there", later), ("a new record", first)):
        seconds = median(took)
        yield Figure(
            f"start to first committed scan, {name}",
            *(seconds, "s", 0.4, peer, seconds / median(bare)),
        )


def _alone(folder: Path, run: Run) -> Iterator[Figure]:
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
    bare = _pss_of("import sqlite3, serial, pydantic", run.surroundings)
    yield Figure(
        f"{MANY}, nothing sent: memory",
        *(median(memory), "MB", 48.0),
        "a Python that imports sqlite3, serial and pydantic",
        median(memory) / bare,
    )
    command = [sys.executable, "-m", "bench.rig64.bare", str(folder), str(SECONDS), str(EVERY)]
    done = subprocess.run(command, cwd=TESTS, capture_output=True, text=True, check=True)
    yield Figure(
        f"{MANY}: processor time",
        *(share, "% of a core", 1.5),
        "a bare loop over the same ports and files",
        share / (100 * float(done.stdout) / SECONDS),
    )


def _with_others(folder: Path, surroundings: dict[str, str]) -> Iterator[Figure | Unmeasured]:
    """Memory with a broker and a database to send to, and that of the pages beside it."""
    lacking = [name for name in ("mosquitto", "victoria-metrics") if shutil.which(name) is None]
    name = f"{MANY}, all readings sent by MQTT and to a database: memory"
    if lacking:
        yield Unmeasured(name, "<= 90 MB", f"{lacking[0]} is not installed")
        return
    sending, idle, viewed = [], [], []
    for number in range(ROUNDS):
        with ExitStack() as stack:
            mqtt = stack.enter_context(broker(folder / f"broker {number}", port=free_port()))
            database = stack.enter_context(time_series_server(folder / f"database {number}"))
            more = _OUTLETS.format(host=HOST, mqtt=mqtt.port, url=database.url)
            run = _laid_out(folder, f"sending {number}", surroundings, more)
            heard = stack.enter_context(listener(mqtt.port))
            process, _ = stack.enter_context(run.going())
            time.sleep(SETTLE)
            assert _probes_told(heard) == EACH * len(BUSES)
            assert database.count("humidity_value", probe="modbus 0") > 1
            sending.append(pss_mb(process))
            pages = _pages(stack, run)
            idle.append(pages[0])
            viewed.append(pages[1])
    bare = _pss_of(
        "import sqlite3, serial, pydantic, paho.mqtt.client, influxdb_client", surroundings
    )
    yield Figure(
        name,
        *(median(sending), "MB", 90.0),
        "a Python that imports sqlite3, serial, pydantic, paho and influxdb_client",
        median(sending) / bare,
    )
    bare = _pss_of("import sqlite3, pydantic, starlette, uvicorn, jinja2", surroundings)
    peer = "a Python that imports sqlite3, pydantic, starlette, uvicorn and jinja2"
    yield Figure("pages, idle: memory", median(idle), "MB", 60.0, peer, median(idle) / bare)
    name = f"pages, {VIEWERS} people looking: memory"
    yield Figure(name, median(viewed), "MB", 70.0, peer, median(viewed) / bare)


def _probes_told(heard: Listener) -> int:
    return len({topic for topic, _ in heard.live if topic.startswith("rigs/bench/probes/")})


def _pages(stack: ExitStack, run: Run) -> tuple[float, float]:
    """Memory of `longsoak pages` after its first page, and with all viewers."""
    port = free_port()
    log = run.rig_file.with_name("pages.log")
    process = stack.enter_context(
        started(
            *(COMMAND, "pages", run.rig_file, "--port", str(port)),
            surroundings=run.surroundings,
            log=log,
        )
    )
    wait_for(lambda: listens(port), what="the pages")
    with viewers(port, 1) as one:
        wait_for(lambda: one.open == 1, what="the first viewer")
    idle = pss_mb(process.pid)
    with viewers(port, VIEWERS) as all_of_them:
        wait_for(lambda: all_of_them.open == VIEWERS, what="all viewers", limit=60)
        time.sleep(VIEWED)
        assert all_of_them.heard >= VIEWERS, all_of_them.heard
        viewed = pss_mb(process.pid)
    return idle, viewed


def _year(folder: Path, surroundings: dict[str, str]) -> Figure:
    """Memory at the end of a simulated year over that after its first tenth."""
    command = [sys.executable, "-m", "bench.rig64.year", str(folder / "year")]
    done = subprocess.run(
        command, cwd=TESTS, env=surroundings, capture_output=True, text=True, check=True
    )
    tenth, end, scans, days = (float(line) for line in done.stdout.split())
    assert scans == 365 * 144
    assert days >= 364
    return Figure(
        "a simulated year of 64 probes each 600 s: memory more at its end",
        100 * (end / tenth - 1),
        "%",
        5.0,
        "the same process after the first tenth",
        end / tenth,
    )


def _python(code: str, surroundings: dict[str, str]) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=TESTS,
        env=surroundings,
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout


def _pss_of(imports: str, surroundings: dict[str, str]) -> float:
    """Memory of a bare Python with some imports, MB."""
    own = "from bench.rig64.started import pss_mb; print(pss_mb(os.getpid()))"
    return median(
        float(_python(f"{imports}; import os; {own}", surroundings)) for _ in range(ROUNDS)
    )
