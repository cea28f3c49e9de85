"""Many rigs in one shop: 20 that measure and 200 more that publish, and one page of all of them.

The 20 are real `longsoak run` on files that drivers read, the 200 the shipped outlets over records
of their own, in two processes (`bench.manyrigs.publishers`). Each has 64 probes at the periods that
a rig file has which says nothing of them. Broker and database are real and one each; a subscriber
counts what the broker passes on. All of it runs on this one machine, and shares its processors.

What was kept in the records is held against what the subscriber heard and what the database has,
reading by reading. At the end all 200 measure more and more often, until something falls behind.
"""

import json
import math
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass
from functools import partial
from http.client import HTTPConnection
from pathlib import Path
from statistics import median

from bench.figures import Figure, Unmeasured, in_turn, scratch
from bench.manyrigs.layout import EACH, PERIODS, PROBES, lay_out_files, rig_text
from bench.rig64.started import TESTS, busy, compiled, memory_of, pss_mb, started
from longsoak.store.reader import Record
from processes import COMMAND
from servers import HOST, Broker, TimeSeriesServer, broker, free_port, listens, time_series_server
from waiting import wait_for

REAL, MANY, PROCESSES = 20, 200, 2
SECONDS = 150  # of measuring at the usual periods: two passes and a half of the thermometers
NEWS = 24  # changes of alarms that are followed to the page
AT_ONCE = 20  # sheets that one measured time is the mean of
OFTEN = (2, 4, 8, 16, 32, 64)  # times as often, one after the other
EACH_STEP = 15  # s
LAST = 30.0  # s that the last readings may take to the subscriber
LATE = 2.0  # s after its time that a measurement of a publisher may begin
KEPT_UP = 0.9  # of the readings there should be, to count as kept up with
USUAL = (REAL + MANY) * EACH * sum(1 / period for period in PERIODS.values())  # readings a second
ALL = f"{REAL} rigs that measure and {MANY} that publish, {PROBES} probes each"


@dataclass
class Publishers:
    """A process of many publishers, and what it says."""

    process: subprocess.Popen[str]
    count: int

    def ask(self, words: str) -> dict[str, float]:
        """Ask for something, and wait for the answer."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{words}\n")
        self.process.stdin.flush()
        return self.answer()

    def answer(self) -> dict[str, float]:
        """The next answer."""
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, "publishers ended by themselves"
        said: dict[str, float] = json.loads(line)
        return said


@dataclass
class Fleet:
    """Everything that runs."""

    folder: Path
    broker: Broker
    database: TimeSeriesServer
    runs: list[subprocess.Popen[bytes]]
    measuring: ExitStack  # ends these
    many: list[Publishers]
    counting: subprocess.Popen[str]
    pages: subprocess.Popen[bytes]
    port: int

    def processes(self) -> dict[str, list[int]]:
        """Process ids, by what they do."""
        servers = {"the broker": self.broker, "the database": self.database}
        return {
            "the publishers": [one.process.pid for one in self.many],
            "longsoak run": [run.pid for run in self.runs],
            **{name: [vars(server)["_process"].pid] for name, server in servers.items()},
            "the counting subscriber": [self.counting.pid],
            "the pages": [self.pages.pid],
        }


def figures() -> list[Figure | Unmeasured]:
    """Measure all."""
    for name in ("mosquitto", "victoria-metrics"):
        if shutil.which(name) is None:
            return [Unmeasured(ALL, "no loss", f"{name} is not installed")]
    with scratch() as folder, ExitStack() as stack:
        surroundings = compiled(folder / "compiled")
        fleet = _begun(folder, surroundings, stack)
        return [
            *_usual(fleet, surroundings),
            *_page(fleet),
            _raised(fleet),
            *_nothing_lost(fleet),
        ]


def _begun(folder: Path, surroundings: dict[str, str], stack: ExitStack) -> Fleet:
    """Start everything."""
    lay_out_files(folder)
    mqtt = stack.enter_context(broker(folder / "broker"))
    database = stack.enter_context(time_series_server(folder / "database"))
    counted = [sys.executable, "-m", "bench.manyrigs.counting", str(mqtt.port)]
    counting = _python([*counted, str(folder / "heard")], surroundings)
    assert counting.stdout is not None
    assert counting.stdout.readline() == "ready\n"
    port, log = free_port(), folder / "log"
    pages = stack.enter_context(
        started(
            *(COMMAND, "pages", "--broker", f"{HOST}:{mqtt.port}", "--port", str(port)),
            surroundings=surroundings,
            log=log,
        )
    )
    wait_for(lambda: listens(port), what="the pages")
    runs, measuring = [], stack.enter_context(ExitStack())
    for number in range(REAL):
        rig_file = folder / f"real {number}" / "rig.toml"
        rig_file.parent.mkdir()
        text = rig_text(folder, f"real {number}", mqtt=mqtt.port, url=database.url)
        rig_file.write_text(text)
        run = started(COMMAND, "run", rig_file, surroundings=surroundings, log=log)
        runs.append(measuring.enter_context(run))
    many = []
    for place in range(PROCESSES):
        count = MANY // PROCESSES
        module = [sys.executable, "-m", "bench.manyrigs.publishers", str(folder)]
        command = [*module, str(place * count), str(count), str(mqtt.port), database.url]
        many.append(Publishers(_python(command, surroundings), count))
    for one in many:
        one.answer()
    return Fleet(folder, mqtt, database, runs, measuring, many, counting, pages, port)


def _python(command: list[str], surroundings: dict[str, str]) -> subprocess.Popen[str]:
    return subprocess.Popen(
        command,
        cwd=TESTS,
        env=surroundings,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def _usual(fleet: Fleet, surroundings: dict[str, str]) -> Iterator[Figure]:
    """What everything takes while all measure at their usual periods."""
    wait_for(lambda: _shown(fleet) == REAL + MANY, what="all rigs on the page", limit=120)
    for one in fleet.many:
        one.ask("how")
    before = _busy(fleet)
    time.sleep(SECONDS)
    shares = {name: 100 * (took - before[name]) / SECONDS for name, took in _busy(fleet).items()}
    late = max(one.ask("how")["late"] for one in fleet.many)
    memory = {
        name: median(pss_mb(process) for process in processes)
        for name, processes in fleet.processes().items()
    }
    libraries = "paho.mqtt.client, starlette, uvicorn, jinja2, orjson"
    bare = memory_of(f"import {libraries}", surroundings)
    peer = f"a Python that imports {libraries}"
    yield Figure(
        f"{ALL}: memory of the shop's pages", *(memory["the pages"], "MB", 60.0, peer),
        memory["the pages"] / bare,
    )  # fmt: skip
    libraries = "sqlite3, serial, pydantic, paho.mqtt.client, influxdb_client"
    bare = memory_of(f"import {libraries}", surroundings)
    yield Figure(
        f"{ALL}: memory of one longsoak run, the median",
        *(memory["longsoak run"], "MB", 90.0, f"a Python that imports {libraries}"),
        memory["longsoak run"] / bare,
    )
    run = shares["longsoak run"] / REAL
    for name, share, goal in (
        ("the shop's pages", shares["the pages"], 5.0),
        ("one longsoak run", run, 1.5),
        ("the broker", shares["the broker"], 5.0),
        ("the database", shares["the database"], 25.0),
    ):
        words = f"{ALL}: processor time of {name}"
        each = shares["the publishers"] / MANY
        peer = "one publisher: the same without measuring"
        yield Figure(words, share, "% of a core", goal, peer, share / each)
    yield Figure(
        f"{ALL}: a publisher's measurement after its time, the latest",
        *(late, "s", LATE, "its period", late / PERIODS["wood"]),
    )


def _page(fleet: Fleet) -> Iterator[Figure]:
    """How soon and how large the page comes, and how soon a change is on it."""
    with closing(HTTPConnection(HOST, fleet.port, timeout=30)) as connection:

        def ask(path: str, *, times: int = 1) -> bytes:
            for _ in range(times):
                connection.request("GET", path, headers={"Accept-Encoding": "gzip"})
                answer = connection.getresponse()
                body = answer.read()
                assert answer.status == 200, path
            return body

        sheet, other = (partial(ask, path, times=AT_ONCE) for path in ("/", "/session.json"))
        seconds, _, ratio = in_turn(sheet, other)
        words = f"the page of {REAL + MANY} rigs"
        peer = "the smallest answer of the same process"
        yield Figure(
            f"{words}: time to the whole answer",
            *(1e3 * seconds / AT_ONCE, "ms", 100.0, peer),
            ratio,
        )
        zipped, whole = len(ask("/")), len(_sheet(fleet))
        yield Figure(
            f"{words}: bytes of it", *(zipped / 1e3, "kB", 50.0, "the same uncompressed"),
            zipped / whole,
        )  # fmt: skip
    delays = sorted(_delays(fleet))
    p99 = delays[math.ceil(0.99 * len(delays)) - 1]
    yield Figure(
        f"{words}: from an alarm in a record to the page that shows it, p99 of {len(delays)}",
        *(p99, "s", 2.0, "the median of the same", p99 / median(delays)),
    )


def _delays(fleet: Fleet) -> Iterator[float]:
    """Let alarms come at one rig after the other, and fetch the page when it tells of news."""
    with closing(HTTPConnection(HOST, fleet.port, timeout=60)) as connection:
        connection.request("GET", "/events")
        stream = connection.getresponse()
        shown = _standing(fleet)
        for turn in range(NEWS):
            one = fleet.many[turn % PROCESSES]
            at = one.ask(f"alarm {turn // PROCESSES}")["at"]
            while shown == (now := _standing(fleet)):
                while not stream.readline().startswith(b"data:"):
                    pass
            shown = now
            yield time.time() - at / 1e3


def _raised(fleet: Fleet) -> Figure:
    """How many readings a second they keep up with, and what is at its limit then."""
    kept_up, first, shares = 0.0, "nothing", ""
    for often in OFTEN:
        for one in fleet.many:
            one.ask(f"often {often}")
        kept, before, began = _kept(fleet), _busy(fleet), time.monotonic()
        time.sleep(EACH_STEP)
        rate = (_kept(fleet) - kept) / (took := time.monotonic() - began)
        used = {name: 100 * (now - before[name]) / took for name, now in _busy(fleet).items()}
        unheard = _unheard(fleet, REAL * EACH)
        if rate < KEPT_UP * often * USUAL * MANY / (REAL + MANY) or unheard > 5 * rate:
            first = "the publishers" if unheard <= 5 * rate else "what the broker passes on"
            shares = ", ".join(f"{name} {share:.0f} %" for name, share in used.items())
            break
        kept_up = rate
    for one in fleet.many:
        one.ask("often 1")
    words = f"readings a second that all keep up with; then {first} fell behind"
    if shares:
        words += f" (of a core: {shares})"
    return Figure(
        words, kept_up, "/s", USUAL, "at the usual periods", kept_up / USUAL, at_least=True
    )


def _nothing_lost(fleet: Fleet) -> Iterator[Figure]:
    """Stop all that measures, and hold records, broker and database against each other."""
    for one in fleet.many:
        one.ask("stop")
        one.process.wait(60)
    fleet.measuring.close()
    kept: dict[tuple[str, str, str, int], tuple[str, str, int]] = {}
    for folder in sorted(fleet.folder.glob("*/record")) + sorted(fleet.folder.glob("many *")):
        name = folder.parent.name if folder.name == "record" else folder.name.replace("many", "rig")
        position, record = 0, Record(folder)
        while page := record.scans_after(position, limit=200):
            position = page[-1].id
            for scan in page:
                for reading in scan.readings:
                    key = (name, reading.probe, scan.run, scan.id)
                    kept[key] = (name, reading.probe, reading.utc_ms)
    assert len({name for name, *_ in kept}) == REAL + MANY
    heard = _heard(fleet, len(kept))
    there = {
        (series.labels["rig"], series.labels["probe"], at)
        for metric in ("temperature_flag", "pins_flag")
        for series in fleet.database.export(metric)
        for at in series.points
    }
    by_broker = sum(key not in heard for key in kept)
    by_database = sum(place not in there for place in kept.values())
    for where, lost in (("the subscriber", by_broker), ("the database", by_database)):
        words = f"{ALL}: readings in the records, {len(kept)}, that {where} has not"
        yield Figure(words, lost, "readings", 0.0, "those it has", lost / len(kept))


def _heard(fleet: Fleet, kept: int) -> set[tuple[str, str, str, int]]:
    counting = fleet.counting
    until = time.monotonic() + LAST
    while _count(fleet) < kept and time.monotonic() < until:
        time.sleep(0.5)
    assert counting.stdin is not None
    counting.stdin.close()
    counting.wait(30)
    lines = (fleet.folder / "heard").read_text().splitlines()
    found = set()
    for line in lines:
        rig, probe, run, scan = line.split("\t")
        found.add((rig, probe, run, int(scan)))
    return found


def _unheard(fleet: Fleet, slack: int) -> int:
    """How many readings of the publishers the subscriber has not got, at most; never below 0."""
    return max(0, _kept(fleet) - _count(fleet) - slack)


def _kept(fleet: Fleet) -> int:
    return int(sum(one.ask("how")["kept"] for one in fleet.many))


def _count(fleet: Fleet) -> int:
    counting = fleet.counting
    assert counting.stdin is not None
    assert counting.stdout is not None
    counting.stdin.write("\n")
    counting.stdin.flush()
    return int(counting.stdout.readline())


def _busy(fleet: Fleet) -> dict[str, float]:
    return {name: sum(map(busy, pids)) for name, pids in fleet.processes().items()}


def _sheet(fleet: Fleet) -> bytes:
    with closing(HTTPConnection(HOST, fleet.port, timeout=30)) as connection:
        connection.request("GET", "/")
        answer = connection.getresponse()
        assert answer.status == 200
        return answer.read()


def _shown(fleet: Fleet) -> int:
    return _sheet(fleet).count(b'<th scope="row"')


def _standing(fleet: Fleet) -> int:
    return _sheet(fleet).count(b'class="alarm"')
