"""What the pages take: time and bytes of a first view, a year's trace, and a hundred who look on.

The record is a year of 64 probes in six bays, a reading a minute. Times are of the real process
over loopback, answers whole; bytes are what a browser fetched that had never been there, heads
included. For those who look on, the real `longsoak run` goes on with the record on hardware that
is another process's ptys and files, and each of them has the stream of events open and fetches its
sheet again as the page's own script would.
"""

import math
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from http.client import HTTPConnection
from pathlib import Path
from statistics import median
from typing import Any, NamedTuple
from urllib.parse import urlencode

from playwright.sync_api import sync_playwright

from bench.figures import Figure, in_turn
from bench.rig64.layout import ASKED
from bench.rig64.sixbays import BAYS, recorded, six_bays
from bench.rig64.started import compiled, hardware, memory_of, pss_mb, started
from bench.rig64.viewers import viewers
from longsoak.core.wording import rfc3339
from longsoak.store.files import RECORD, connect_read_only
from longsoak.store.reader import Record
from processes import COMMAND
from servers import free_port, listens
from waiting import wait_for

YEAR_MS = 365 * 86_400_000
SCANS = 365 * 1440
POINTS = 1000
AT_ONCE = 10  # views that one measured time is the mean of
REFILL = 20  # s in which whoever asks too fast may ask as often again: the pages' own guard
EVERY = 5  # s between two polls of a probe while people look on
SECONDS = 120  # they look
VIEWERS = 100
ROUNDS = 3
MANY = f"64 probes in {BAYS} bays, a year recorded"
HANDED = "the same figures as JSON, from the same process"


class Rig(NamedTuple):
    """The hardware, the rig file beside a year's record, the probes' names."""

    hardware: Path
    rig_file: Path
    names: tuple[str, ...]
    surroundings: dict[str, str]


def figures() -> list[Figure]:
    """Measure all."""
    with hardware() as folder:
        rig_file = folder / "rig" / "rig.toml"
        text, now_ms = six_bays(folder, every=EVERY), time.time_ns() // 1_000_000
        names = recorded(rig_file, text, scans=SCANS, end_ms=now_ms)
        rig = Rig(folder, rig_file, names, compiled(folder / "compiled"))
        return [*_views(rig), *_looked_on(rig)]


def _views(rig: Rig) -> Iterator[Figure]:
    with _pages(rig) as (_, port), closing(HTTPConnection("127.0.0.1", port)) as connection:

        def ask(path: str) -> Callable[[], None]:
            def fetch() -> None:
                for _ in range(AT_ONCE):
                    connection.request("GET", path, headers={"Accept-Encoding": "gzip"})
                    answer = connection.getresponse()
                    assert (answer.status, len(answer.read()) > 0) == (200, True), path

            return fetch

        def rested() -> None:
            connection.close()  # the pages would, meanwhile
            time.sleep(REFILL)

        for sheet, name in (("/", "section"), ("/traces?hours=all", "traces since the first day")):
            rested()
            seconds, _, ratio = in_turn(ask(sheet), ask("/api/1/latest"))
            words = f"{name}, {MANY}: time to the whole answer"
            yield Figure(words, 1e3 * seconds / AT_ONCE, "ms", 300.0, HANDED, ratio)
        rested()
        yield _trace(rig, ask)
        for sheet, name in (("/", "section"), ("/traces?hours=all", "traces since the first day")):
            travelled, whole = _transferred(port, sheet)
            words = f"{name}, {MANY}: first view, all that a browser fetches to draw it"
            yield Figure(
                words, travelled / 1e3, "kB", 150.0, "the same uncompressed", travelled / whole
            )


def _trace(rig: Rig, ask: Callable[[str], Callable[[], None]]) -> Figure:
    """A year of one probe as programs and the sheet get it."""
    (name, *_), record = rig.names, Record(rig.rig_file.parent / "record")
    until = record.last_utc_ms()
    assert until is not None
    since = until - YEAR_MS
    asked = {"probe": name, "from": rfc3339(since), "to": rfc3339(until), "points": POINTS}

    def read() -> None:
        for _ in range(AT_ONCE):
            found = record.reduced((name,), since_ms=since, until_ms=until, buckets=POINTS)
            assert len(found[name]) > POINTS // 2

    fetch = ask(f"/api/1/readings?{urlencode(asked)}")
    seconds, _, ratio = in_turn(fetch, read)
    words = f"a year of one probe in at most {POINTS} points: time to the whole answer"
    return Figure(words, 1e3 * seconds / AT_ONCE, "ms", 20.0, "reading it from the record", ratio)


def _transferred(port: int, sheet: str) -> tuple[int, int]:
    """Bytes that a browser which was never there fetches for a sheet, and what they unpack to."""
    travelled, whole = [0], [0]
    with (
        sync_playwright() as playwright,
        closing(
            playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        ) as browser,
    ):
        page = browser.new_page()
        session = page.context.new_cdp_session(page)

        after: set[str] = (
            set()
        )  # what the script of traces asks for once they are drawn: finer ones

        def asked(event: dict[str, Any]) -> None:
            if "/api/1/readings" in event["request"]["url"]:
                after.add(event["requestId"])

        def finished(event: dict[str, Any]) -> None:
            if event["requestId"] not in after:
                travelled[0] += int(event["encodedDataLength"])

        def came(event: dict[str, Any]) -> None:
            if event["requestId"] not in after:
                whole[0] += int(event["dataLength"])

        session.on("Network.requestWillBeSent", asked)
        session.on("Network.loadingFinished", finished)
        session.on("Network.dataReceived", came)
        session.send("Network.enable")
        page.goto(f"http://127.0.0.1:{port}{sheet}", wait_until="load")
        page.wait_for_function("document.fonts.status === 'loaded'")
        page.evaluate("fetch('/static/icon.svg').then(a => a.text())")  # as a tab shows it
    return travelled[0], whole[0]


def _looked_on(rig: Rig) -> Iterator[Figure]:
    """Memory of the pages, polls of the run and news to those who look on."""
    libraries = "sqlite3, pydantic, starlette, uvicorn, jinja2"
    bare = memory_of(f"import {libraries}", rig.surroundings)
    peer = f"a Python that imports {libraries}"
    with ExitStack() as stack:
        log = rig.rig_file.with_name("run.log")
        stack.enter_context(
            started(COMMAND, "run", rig.rig_file, surroundings=rig.surroundings, log=log)
        )
        wait_for(lambda: _scans(rig) > SCANS + 8, what="scans to come in")
        idle = []
        for _ in range(ROUNDS):
            with _pages(rig) as (process, port):
                with viewers(port, 4) as few:
                    wait_for(lambda: few.open == 4, what="a visit to each sheet")
                idle.append(pss_mb(process))
        yield Figure(
            f"pages of {MANY}, idle: memory", *(median(idle), "MB", 60.0, peer), median(idle) / bare
        )

        alone = _polls(rig)
        process, port = stack.enter_context(_pages(rig))
        with viewers(port, VIEWERS) as many:
            wait_for(lambda: many.open == VIEWERS, what="all to look", limit=120)
            heard = many.heard
            late = _polls(rig)
            viewed = pss_mb(process)
            assert many.heard - heard >= VIEWERS * SECONDS / EVERY / 2, many.heard
            news = sorted(many.late_ms)
        looking = f"{VIEWERS} people looking"
        yield Figure(
            f"pages of {MANY}, {looking}: memory", *(viewed, "MB", 70.0, peer), viewed / bare
        )
        yield Figure(
            f"{looking}: the latest poll after its time",
            *(max(late), "ms", 50.0, "the same with nobody looking"),
            max(late) / max(alone),
        )
        yield Figure(
            f"{looking}: news after the pages saw them, p99",
            *(_p99(news), "ms", 50.0, "the median of the same"),
            _p99(news) / median(news),
        )


def _polls(rig: Rig) -> list[float]:
    """How late passes began at each port in a while, ms after the earliest on their grid."""
    since = _boottime_ms()
    time.sleep(SECONDS)
    begun: dict[str, list[float]] = {}
    for line in (rig.hardware / ASKED).read_text().splitlines():
        port, at = line.split()
        if float(at) >= since:
            begun.setdefault(port, []).append(float(at))
    late: list[float] = []
    grid = 1000 * EVERY
    for times in begun.values():
        assert len(times) >= SECONDS // EVERY - 1, "a poll was left out"
        phases = [(at - times[0] + grid / 2) % grid for at in times]
        late += [phase - min(phases) for phase in phases]
    return late


@contextmanager
def _pages(rig: Rig) -> Iterator[tuple[int, int]]:
    """`longsoak pages`, answering: its process and its port."""
    port, log = free_port(), rig.rig_file.with_name("pages.log")
    with started(
        *(COMMAND, "pages", rig.rig_file, "--port", str(port)),
        surroundings=rig.surroundings,
        log=log,
    ) as process:
        wait_for(lambda: listens(port), what="the pages")
        yield process.pid, port


def _scans(rig: Rig) -> int:
    with closing(connect_read_only(rig.rig_file.parent / "record" / RECORD)) as db:
        (newest,) = db.execute("SELECT ifnull(max(id), 0) FROM scan").fetchone()
    return int(newest)


def _p99(ordered: list[float]) -> float:
    return ordered[math.ceil(0.99 * len(ordered)) - 1]


def _boottime_ms() -> float:
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) / 1e6
