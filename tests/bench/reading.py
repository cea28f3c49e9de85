"""What it costs to read nine months back: the traces of all pins, and the latest of every probe."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from bench import longrecord
from bench.figures import Figure, in_turn, scratch
from bench.longrecord import MONTHS, fill, numbered
from longsoak.store.files import RECORD, connect_read_only
from longsoak.store.packing import pack
from longsoak.store.reader import Record
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan

START_MS = 1_790_000_000_000
PINS = tuple(f"pins {i}" for i in range(24))
AIR = tuple(f"air {i}" for i in range(8))
LEVEL = ("level",)
SECONDS = 3_000_000  # of a bus that is kept each second, 35 days
BUCKETS = 300
PIXELS = 1000


def figures() -> list[Figure]:
    """Measure all."""
    with _records() as (months, seconds):
        found = [*_traces(Record(months)), *_latest(seconds)]
    with scratch() as folder:
        names = numbered(64)
        fill(folder / "record", names=names, scans=MONTHS)
        found += _against_columns(Record(folder / "record"), names, folder / "readings.parquet")
    with scratch() as folder:
        (name, *_) = names = numbered(4)
        fill(folder / "record", names=names, scans=10 * MONTHS)
        found.append(_ten_times(Record(folder / "record"), name))
    return found


def _against_columns(record: Record, names: tuple[str, ...], file: Path) -> Iterator[Figure]:
    """Nine months of 64 probes a minute, against DuckDB on the same readings in columns."""
    end = longrecord.START_MS + MONTHS * 60_000
    _as_parquet(record, names, file, end)
    db = duckdb.connect(config={"threads": 2})
    width = -(-(end - longrecord.START_MS) // PIXELS)

    def drawn() -> None:
        (found,) = record.reduced(
            names[17:18], since_ms=longrecord.START_MS, until_ms=end, buckets=PIXELS
        ).values()
        assert sum(bucket.readings for bucket in found) == MONTHS

    def drawn_by_peer() -> None:
        rows = db.execute(
            "SELECT (utc_ms - ?) // ? AS bucket, min(value), max(value), avg(value), max(flag),"
            " count(*) FROM read_parquet(?) WHERE probe = 17 GROUP BY bucket ORDER BY bucket",
            [longrecord.START_MS, width, str(file)],
        ).fetchall()
        assert sum(row[5] for row in rows) == MONTHS

    seconds, _, ratio = in_turn(drawn, drawn_by_peer)
    name = f"one probe of 64, nine months, {PIXELS} intervals"
    peer = "DuckDB on Parquet sorted by probe"
    yield Figure(name, seconds * 1e3, "ms", 8.0, peer, ratio)
    yield Figure(f"{name}, of what the peer takes", ratio, "x", 0.5, peer, ratio)

    noon = longrecord.START_MS + 100 * 86_400_000 + 43_200_000

    def day() -> None:
        columns = record.columns(names, since_ms=noon, until_ms=noon + 86_400_000)
        assert sum(len(c.utc_ms) for c in columns.values()) == 64 * 1440

    def day_by_peer() -> None:
        found = db.execute(
            "SELECT probe, utc_ms, raw, value, uncertainty, flag FROM read_parquet(?)"
            " WHERE utc_ms >= ? AND utc_ms < ? ORDER BY probe, utc_ms",
            [str(file), noon, noon + 86_400_000],
        ).fetchnumpy()
        assert len(found["value"]) == 64 * 1440

    _, _, ratio = in_turn(day, day_by_peer)
    yield Figure("one day raw of 64 probes to numpy", ratio, "x", 1.5, f"{peer}, to numpy", ratio)

    def latest() -> None:
        assert len(record.latest(names)) == 64

    def latest_by_peer() -> None:
        with closing(connect_read_only(record.folder / RECORD)) as other:
            other.execute("SELECT readings FROM scan ORDER BY id DESC LIMIT 1").fetchone()

    seconds, _, ratio = in_turn(latest, latest_by_peer)
    bare = "opening the file and fetching its last row"
    yield Figure("latest value of 64 probes", seconds * 1e3, "ms", 1.0, bare, ratio)


def _ten_times(record: Record, name: str) -> Figure:
    end = longrecord.START_MS + 10 * MONTHS * 60_000

    def drawn(since_ms: int, scans: int) -> None:
        (found,) = record.reduced((name,), since_ms=since_ms, until_ms=end, buckets=PIXELS).values()
        assert sum(bucket.readings for bucket in found) == scans

    _, _, ratio = in_turn(
        lambda: drawn(longrecord.START_MS, 10 * MONTHS),
        lambda: drawn(end - MONTHS * 60_000, MONTHS),
    )
    return Figure("ten times as long", ratio, "x", 1.5, "nine months of the same record", ratio)


def _as_parquet(record: Record, names: tuple[str, ...], file: Path, end: int) -> None:
    columns = record.columns(names, since_ms=longrecord.START_MS, until_ms=end)
    parts = [columns[name] for name in names]
    table = pa.table(
        {
            "probe": np.repeat(np.arange(64, dtype=np.int32), [len(c.utc_ms) for c in parts]),
            "utc_ms": np.concatenate([c.utc_ms for c in parts]),
            "raw": np.concatenate([c.raw for c in parts]),
            "value": np.concatenate([c.values for c in parts]),
            "uncertainty": np.concatenate([c.uncertainties for c in parts]),
            "flag": np.concatenate([c.flags for c in parts]),
        }
    )
    pq.write_table(table, file, compression="zstd")


def _traces(record: Record) -> list[Figure]:
    until = START_MS + (MONTHS + 1) * 60_000

    def walk(*probes: str) -> None:
        found = record.reduced(probes, since_ms=START_MS, until_ms=until, buckets=BUCKETS)
        # 24 pins every 15 min: what is timed did the whole of it.
        assert sum(bucket.readings for bucket in found[probes[0]]) == MONTHS // 15 + 1

    def one_by_one() -> None:
        for probe in PINS:
            walk(probe)

    def bare() -> None:
        with closing(connect_read_only(record.folder / RECORD)) as db:
            rows = db.execute("SELECT utc_ms, readings FROM scan WHERE layout = 1 ORDER BY id")
            assert sum(1 for _ in rows) == MONTHS // 15 + 1

    seconds, _, shared = in_turn(lambda: walk(*PINS), one_by_one)
    _, _, over_bare = in_turn(lambda: walk(*PINS), bare)
    months = "traces of 24 pins over nine months of 800,000 scans"
    return [
        Figure(months, seconds, "s", 2.0, "a walk for each of the 24", shared),
        Figure(f"{months}, over bare", over_bare, "x", 8.0, "a bare SELECT of the rows", over_bare),
    ]


def _latest(folder: Path) -> list[Figure]:
    wanted = (*PINS, *AIR, *LEVEL, "gone")

    def first() -> None:
        assert len(Record(folder).latest(wanted)) == len(wanted)

    known = Record(folder)
    known.latest(wanted)

    def again() -> None:
        assert len(known.latest(wanted)) == len(wanted)

    def bare() -> None:
        with closing(connect_read_only(folder / RECORD)) as db:
            assert len(db.execute("SELECT layout, max(id) FROM scan GROUP BY layout").fetchall())

    look, _, over_bare = in_turn(first, bare)
    later, _, over_first = in_turn(again, first)
    name = "latest of 34 probes in three million scans, one of them in the first scan only"
    return [
        Figure(name, look, "s", 1.0, "SELECT layout, max(id) ... GROUP BY layout", over_bare),
        Figure(f"{name}, looked for again", later * 1e3, "ms", 1.0, "the first look", over_first),
    ]


@contextmanager
def _records() -> Iterator[tuple[Path, Path]]:
    """Nine months of pins every 15 min and air and level each minute; a second a level for long."""
    with scratch() as folder:
        _fill(folder / "months", turns=MONTHS, of_pins=15, of_air=1, every_ms=60_000)
        _fill(folder / "seconds", turns=SECONDS, of_pins=900, of_air=60, every_ms=1000)
        yield folder / "months", folder / "seconds"


def _fill(folder: Path, *, turns: int, of_pins: int, of_air: int, every_ms: int) -> None:
    """Lay a record out as shipped, then repeat its scans; committing each would take an hour.

    Every turn has the level, every `of_pins`th the pins too, and every `of_air`th the air.
    """
    writer = RecordWriter(folder, now="2026-09-21T14:13:20.000Z")
    writer.accept_rig("", utc_ms=START_MS)
    writer.begin_run(boot="b", software="0", utc_ms=START_MS, boottime_ms=0, synchronised=True)
    kinds = [_scan(PINS), _scan(AIR), _scan(LEVEL), _scan(("gone",))]
    writer.commit(Batch(scans=kinds))
    writer.close()
    packed = [pack(kind) for kind in kinds]

    def rows() -> Iterator[tuple[int, int, int, int, bytes]]:
        number = len(kinds)
        for turn in range(1, turns + 1):
            for layout, every in ((1, of_pins), (2, of_air), (3, 1)):
                if turn % every == 0:
                    number += 1
                    after = turn * every_ms
                    yield number, layout, START_MS + after, after, packed[layout - 1]

    with closing(sqlite3.connect(folder / RECORD)) as db, db:
        db.executemany("INSERT INTO scan VALUES (?, ?, ?, ?, 1, ?)", rows())


def _scan(probes: tuple[str, ...]) -> Scan:
    n = len(probes)
    return Scan(
        bus="bus",
        utc_ms=START_MS,
        boottime_ms=0,
        synchronised=True,
        probes=probes,
        units=("Ohm",) * n,
        raw=(4.2e6,) * n,
        values=tuple(17 + i / 10 for i in range(n)),
        uncertainties=(0.5,) * n,
        flags=(Flag.PASS,) * n,
        reasons=(Reason.NONE,) * n,
    )
