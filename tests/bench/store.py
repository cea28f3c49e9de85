"""What it costs to keep readings: the path from a sample to the card, and the room it takes."""

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from statistics import median

from bench.figures import Figure, scratch
from bench.kept64 import EVERY_MS, PROBES, START_MS, Path64, Wood, path64, rig
from longsoak.store.files import RECORD
from longsoak.store.packing import unpack
from longsoak.store.scans import scan_rows
from longsoak.store.sealed import of_readings, parts_of_readings
from longsoak.vocabulary.rig import Rig
from longsoak.vocabulary.sample import Sample

PASSES = 3000  # each committed by itself, and once more than sealing needs to begin
ROUNDS = 5
MONTHS = 9 * 30 * 24 * 60  # passes of nine months
AT_ONCE = 256  # passes that wait when the recorder comes to them, as after a stall

Reading = tuple[int, int, float, float, float, int]


def figures() -> list[Figure]:
    """Measure all."""
    wood = Wood()
    passes = [wood.samples(number * EVERY_MS) for number in range(PASSES)]
    return [*_path(passes), *_room(passes), _months(passes)]


def _path(passes: list[list[Sample]]) -> Iterator[Figure]:
    ratios, written, peers_written = [], [], []
    read = rig()  # once: what follows is what goes on for months
    for _ in range(ROUNDS):
        ours, wrote = _timed(lambda folder: _keep(folder, passes, read))
        narrow, peer_wrote = _timed(lambda folder: _narrow(folder, passes))
        ratios.append(narrow / ours)
        written.append(wrote / len(passes) / PROBES)
        peers_written.append(peer_wrote / len(passes) / PROBES)
    ratio = median(ratios)
    yield Figure(
        "whole path from samples to the card, 64 readings a commit, FULL: speed",
        ratio,
        "x the peer's",
        0.5,
        "sqlite3.executemany of the same rows into a narrow table, same commits",
        ratio,
        at_least=True,
    )
    share = median(w / p for w, p in zip(written, peers_written, strict=True))
    yield Figure(
        "bytes written a reading, with sealing, sums and ledger",
        median(written),
        "bytes",
        160.0,
        "the same narrow table",
        share,
    )


def _keep(folder: Path, passes: list[list[Sample]], read: Rig) -> None:
    with path64(folder, of=read) as path:
        for samples in passes:
            path.put(samples)
            path.turn()


def _narrow(folder: Path, passes: list[list[Sample]]) -> None:
    """Rows of time, probe, raw, value, uncertainty and flag, in a table without index."""
    folder.mkdir()
    with closing(sqlite3.connect(folder / RECORD, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute(
            "CREATE TABLE reading (utc_ms INT, probe INT, raw REAL, value REAL, u REAL, f INT)"
        )
        for number, samples in enumerate(passes):
            at = START_MS + number * EVERY_MS
            rows = [(at, n, s.value, 17.5, 0.5, 1) for n, s in enumerate(samples)]
            db.execute("BEGIN")
            db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?)", rows)
            db.execute("COMMIT")


def _room(passes: list[list[Sample]]) -> Iterator[Figure]:
    """Bytes a reading in the file once all but the tail is sealed."""
    with scratch() as folder:
        with path64(folder / "record") as path:
            _bring(path, passes, times=6)
            path.catch_up()
        with closing(sqlite3.connect(folder / "record" / RECORD)) as db:
            own, raw, flags, whole = _sealed_sizes(db)
            readings = _readings(db)
        with closing(sqlite3.connect(folder / "keyed.db")) as db:
            keyed = _keyed(db, readings)
    peer = "a table WITHOUT ROWID keyed (probe, time) of the same columns"
    yield Figure("sealed: raw and flag", raw + flags, "bytes a reading", 3.0, peer, raw / keyed)
    yield Figure(
        "sealed: all, with times, value, uncertainty and reason, as pages of the file",
        whole,
        "bytes a reading",
        7.0,
        peer,
        whole / keyed,
    )
    yield Figure("the same, of what the peer takes", whole / keyed, "x", 0.25, peer, own)


def _sealed_sizes(db: sqlite3.Connection) -> tuple[float, float, float, float]:
    """Own columns of scans, raw, flags, and pages of the file in all; bytes a reading."""
    n = db.execute("SELECT sum(last_scan - first_scan + 1) FROM sealed").fetchone()[0] * PROBES
    (own,) = db.execute("SELECT sum(length(scans)) FROM sealed").fetchone()
    raw = flags = 0
    for first, name, data in db.execute(
        "SELECT first_scan, name, readings FROM sealed_readings"
        " JOIN sealed ON sealed.id = sealed JOIN probe ON probe.id = probe"
    ):
        parts = parts_of_readings(data, of=of_readings(name, first=first))
        raw += len(parts[0])
        flags += len(parts[3])
    (pages,) = db.execute(
        "SELECT sum(pgsize) FROM dbstat WHERE name IN"
        " ('sealed', 'sealed_readings', 'sealed_readings_probe', 'sqlite_autoindex_sealed_1')"
    ).fetchone()
    return own / n, raw / n, flags / n, pages / n


def _readings(db: sqlite3.Connection) -> list[Reading]:
    """The sealed readings as rows."""
    (last,) = db.execute("SELECT max(last_scan) FROM sealed").fetchone()
    found: list[Reading] = []
    probes = tuple(map(str, range(PROBES)))
    for row in scan_rows(db, 1, last):
        for r in unpack(row.readings, probes=probes, units=probes, utc_ms=row.utc_ms):
            value, spread = r.value or 0.0, r.uncertainty or 0.0
            found.append((int(r.probe), r.utc_ms, r.raw or 0.0, value, spread, int(r.flag)))
    return found


def _keyed(db: sqlite3.Connection, readings: list[Reading]) -> float:
    """Bytes a reading of the peer, packed as tightly as it can be."""
    db.execute(
        "CREATE TABLE reading (probe INT, utc_ms INT, raw REAL, value REAL, u REAL, f INT,"
        " PRIMARY KEY (probe, utc_ms)) WITHOUT ROWID"
    )
    with db:
        db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?)", sorted(readings))
    db.execute("VACUUM")
    (pages,) = db.execute("SELECT sum(pgsize) FROM dbstat WHERE name = 'reading'").fetchone()
    return float(pages) / len(readings)


def _months(passes: list[list[Sample]]) -> Figure:
    """Nine months as fast as they go, passes as they would be found after a stall."""
    with scratch() as folder:
        with path64(folder / "record") as path:
            start = time.perf_counter()
            for first in range(0, MONTHS, AT_ONCE):
                for number in range(first, min(MONTHS, first + AT_ONCE)):
                    path.put(passes[number % PASSES])
                path.turn()
                path.catch_up()
            took = time.perf_counter() - start
        bare = _bare_pages(folder / "bare.db")
    return Figure(
        "nine months of 64 probes, one a minute, through the whole path",
        took / 60,
        "min",
        5.0,
        "the packed rows alone appended by executemany, 256 a commit",
        took / bare,
    )


def _bare_pages(file: Path) -> float:
    """Seconds to append as many bytes as the scans have, and nothing else."""
    row = bytes(PROBES * 18)
    with closing(sqlite3.connect(file, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("CREATE TABLE scan (id INTEGER PRIMARY KEY, at INT, readings BLOB)")
        start = time.perf_counter()
        for first in range(0, MONTHS, AT_ONCE):
            db.execute("BEGIN")
            db.executemany(
                "INSERT INTO scan (at, readings) VALUES (?, ?)",
                [(first + n, row) for n in range(min(AT_ONCE, MONTHS - first))],
            )
            db.execute("COMMIT")
        return time.perf_counter() - start


def _bring(path: Path64, passes: list[list[Sample]], *, times: int) -> None:
    for number in range(times * len(passes)):
        path.put(passes[number % len(passes)])
        if number % AT_ONCE == AT_ONCE - 1:
            path.turn()
            path.catch_up()
    path.turn()


def _timed(keep: Callable[[Path], None]) -> tuple[float, int]:
    """Seconds, and bytes given to the system to write."""
    with scratch() as folder:
        before, start = _bytes_written(), time.perf_counter()
        keep(folder / "record")
        return time.perf_counter() - start, _bytes_written() - before


def _bytes_written() -> int:
    lines = Path("/proc/self/io").read_text().splitlines()
    return int(dict(line.split(": ") for line in lines)["wchar"])
