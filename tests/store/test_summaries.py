"""Hours and days added up beforehand say what the readings themselves say."""

import random
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from math import fsum, isclose, nan
from pathlib import Path

import pytest

from longsoak.store.buckets import Bucket
from longsoak.store.files import RECORD, connect_read_only
from longsoak.store.reader import Record
from longsoak.store.sealing import SealingPlan
from longsoak.store.summaries import Summaries, drop
from longsoak.store.summarised import SUMMARIES
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import AT_LEAST, AT_MOST, Flag, Reason
from longsoak.vocabulary.reading import Reading, Scan

BOUND = max(AT_LEAST)
HOUR, DAY = 3_600_000, 86_400_000
T0 = 1_777_885_200_000  # 2026-05-04T09:00:00Z
PASSES = (("a", "b"), ("level",), ("b", "rare", "a"))
PLAN = SealingPlan(tail=50, lengths=(300, 600), enough=20)


@dataclass
class Kept:
    """A record that is filled, sealed and added up."""

    folder: Path
    writer: RecordWriter
    at_ms: int = T0
    boot_ms: int = 0
    made: int = 0
    summaries: Summaries = field(init=False)

    def __post_init__(self) -> None:
        self.summaries = self.writer.summaries()

    def fill(self, scans: int, *, every_ms: int, synchronised: bool = True) -> None:
        """Commit scans of numbers that are never the same."""
        batch = Batch()
        for _ in range(scans):
            random_ = random.Random(self.made)  # noqa: S311 - numbers to keep
            probes = PASSES[2 if self.made % 97 == 96 else self.made % 2]
            self.made += 1
            self.at_ms += every_ms
            self.boot_ms += every_ms
            n = len(probes)
            batch.scans.append(
                Scan(
                    "b",
                    self.at_ms,
                    self.boot_ms,
                    synchronised,
                    probes,
                    ("Ohm",) * n,
                    tuple(random_.lognormvariate(15, 1) for _ in range(n)),
                    tuple(random_.gauss(17, 1) if random_.random() < 0.9 else nan for _ in probes),
                    tuple(random_.uniform(0.1, 1) for _ in range(n)),
                    tuple(random_.choices(list(Flag), (50, 1, 1, 1, 1))[0] for _ in range(n)),
                    tuple(
                        Reason.NONE if random_.random() < 0.97 else max(AT_LEAST) for _ in probes
                    ),
                )
            )
        self.writer.commit(batch)

    def settle(self) -> None:
        """Seal and add up all that is due."""
        sealing = self.writer.sealing(PLAN)
        while sealing.bite():
            pass
        while self.summaries.bite():
            pass


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    writer = RecordWriter(tmp_path, now="2026-05-04T09:00:00.000Z")
    writer.accept_rig("", utc_ms=T0)
    writer.begin_run(boot="b", software="0", utc_ms=T0, boottime_ms=0, synchronised=True)
    kept = Kept(tmp_path, writer)
    yield kept
    kept.summaries.close()
    writer.close()


def by_hand(
    record: Record, probe: str, since_ms: int, until_ms: int, *, unit: int, width: int
) -> list[Bucket]:
    """Reduced from the readings one by one, in intervals of whole units."""
    base = since_ms // unit * unit
    groups: dict[int, list[Reading]] = {}
    for reading in record.series(probe, since_ms=since_ms, until_ms=until_ms):
        groups.setdefault((reading.utc_ms - base) // width, []).append(reading)
    found = []
    for number, readings in sorted(groups.items()):
        good = [r for r in readings if r.value is not None and r.flag is not Flag.FAIL]
        values = [r.value for r in good if r.value is not None]
        spreads = [r.uncertainty for r in good if r.uncertainty is not None]
        wetter = sum(r.reason in AT_LEAST for r in good)
        drier = sum(r.reason in AT_MOST for r in good)
        worst = (Flag.FAIL, Flag.SUSPECT, Flag.MISSING, Flag.NOT_EVALUATED, Flag.PASS)
        found.append(
            Bucket(
                base + number * width,
                min(values, default=None),
                max(values, default=None),
                None if wetter or drier or not values else fsum(values) / len(values),
                max(spreads, default=None),
                len(readings),
                next(f for f in worst if f in {r.flag for r in readings}),
                wetter,
                drier,
            )
        )
    return found


def check(record: Record, since_ms: int, until_ms: int, buckets: int) -> None:
    """Compare what is drawn with the readings one by one."""
    width = -(-(until_ms - since_ms) // buckets)
    unit = 1
    if width >= HOUR:  # as many hours as divide a day, or are two; or days
        even = (n * HOUR for n in (1, 2, 3, 4, 8, 12, 24, 48) if n * HOUR >= width)
        width = next(even, -(-width // DAY) * DAY)
        unit = DAY if width >= 2 * DAY else 4 * HOUR if width >= 4 * HOUR else HOUR
    found = record.reduced(
        ("a", "level", "rare", "never"), since_ms=since_ms, until_ms=until_ms, buckets=buckets
    )
    assert found.pop("never") == []
    for probe, got in found.items():
        alike(got, by_hand(record, probe, since_ms, until_ms, unit=unit, width=width))


def alike(got: list[Bucket], expected: list[Bucket]) -> None:
    """Compare all but the last digits of the means."""
    assert [b._replace(mean=None) for b in got] == [b._replace(mean=None) for b in expected]
    for one, other in zip(got, expected, strict=True):
        assert (one.mean is None) == (other.mean is None)
        assert (
            one.mean is None or other.mean is None or isclose(one.mean, other.mean, rel_tol=1e-12)
        )


RANGES = (
    (T0, T0 + 60 * DAY, 500),
    (T0, T0 + 60 * DAY, 300),
    (T0 + 3 * HOUR, T0 + 50 * DAY, 120),
    (T0 + 2 * DAY + HOUR, T0 + 2 * DAY + 9 * HOUR, 2),
    (T0 + 2 * DAY + 5 * HOUR, T0 + 2 * DAY + 10 * HOUR, 1),
    (T0 + 2 * DAY + 5 * HOUR, T0 + 45 * DAY + 22 * HOUR, 20),
    (T0 + 17 * HOUR + 1234, T0 + 40 * DAY + 5, 300),
    (T0 - 7 * DAY, T0 + 90 * DAY + 77, 30),
    (T0 + 12 * DAY + 1, T0 + 12 * DAY + 3 * HOUR, 3),
    (T0 + 12 * DAY + 1, T0 + 12 * DAY + 2, 1),
)


def rows(folder: Path, table: str) -> int:
    with closing(connect_read_only(folder / SUMMARIES)) as db:
        return int(db.execute(f"SELECT count(*) FROM {table}").fetchone()[0])  # noqa: S608 - ours


def test_what_is_drawn_of_months_is_what_the_readings_say(kept: Kept) -> None:
    kept.fill(3000, every_ms=25 * 60_000)  # 52 days
    kept.settle()
    assert rows(kept.folder, "hours") > 20
    assert 0 < rows(kept.folder, "fresh") < 6 * 24 + 48
    kept.fill(40, every_ms=60_000)  # not added up yet
    for since, until, buckets in RANGES:
        check(Record(kept.folder), since, until, buckets)


def test_hours_are_kept_up_as_readings_come(kept: Kept) -> None:
    for _ in range(30):
        kept.fill(50, every_ms=11 * 60_000)
        kept.settle()
        check(Record(kept.folder), T0 + 1, kept.at_ms + 1, 40)


def test_a_clock_set_back_by_days_adds_to_hours_that_were_folded_already(kept: Kept) -> None:
    kept.fill(2000, every_ms=25 * 60_000)
    kept.settle()
    kept.at_ms -= 20 * DAY
    kept.fill(2500, every_ms=25 * 60_000)
    kept.settle()
    for since, until, buckets in RANGES:
        check(Record(kept.folder), since, until, buckets)


def test_hours_before_1970_are_folded_as_others_are(kept: Kept) -> None:
    kept.at_ms = -100 * DAY + 7
    kept.fill(340, every_ms=7 * HOUR)  # 99 days
    kept.settle()
    with closing(connect_read_only(kept.folder / SUMMARIES)) as db:
        (oldest,) = db.execute("SELECT min(hour) FROM fresh").fetchone()
    assert oldest > -10 * 24
    for since, until, buckets in ((-101 * DAY, 5 * DAY, 300), (-90 * DAY + 1, 2 * DAY, 30)):
        check(Record(kept.folder), since, until, buckets)


def test_scans_that_are_placed_later_are_drawn_where_they_belong(kept: Kept) -> None:
    kept.fill(1500, every_ms=25 * 60_000)
    kept.settle()
    with sqlite3.connect(kept.folder / RECORD) as db:
        db.execute("UPDATE stretch SET shift_ms = ?", (9 * DAY + 1234,))
    db.close()
    for since, until, buckets in RANGES:  # what was added up no longer holds, and is not used
        width = -(-(until - since) // buckets)
        found = Record(kept.folder).reduced(("a",), since_ms=since, until_ms=until, buckets=buckets)
        hand = by_hand(Record(kept.folder), "a", since, until, unit=1, width=width)
        assert [b.readings for b in found["a"]] == [
            b.readings for b in by_hand(Record(kept.folder), "a", since, until, unit=1, width=width)
        ], hand
    kept.settle()
    for since, until, buckets in RANGES:
        check(Record(kept.folder), since, until, buckets)


def test_they_can_be_dropped_and_are_made_again(kept: Kept) -> None:
    kept.fill(1500, every_ms=25 * 60_000)
    kept.settle()
    since, until, buckets = RANGES[1]
    before = Record(kept.folder).reduced(("a",), since_ms=since, until_ms=until, buckets=buckets)
    kept.summaries.drop_and_rest()
    assert not (kept.folder / SUMMARIES).exists()
    kept.settle()
    assert not (kept.folder / SUMMARIES).exists()
    counted = Record(kept.folder).reduced(("a",), since_ms=since, until_ms=until, buckets=buckets)
    assert sum(b.readings for b in counted["a"]) == sum(b.readings for b in before["a"])
    kept.summaries.resume()
    kept.settle()
    again = Record(kept.folder).reduced(("a",), since_ms=since, until_ms=until, buckets=buckets)
    assert again == before


def test_a_file_laid_out_by_an_earlier_version_is_made_again(kept: Kept) -> None:
    kept.fill(1500, every_ms=25 * 60_000)
    kept.settle()
    kept.summaries.close()
    with closing(sqlite3.connect(kept.folder / SUMMARIES)) as db, db:
        db.execute("DROP TABLE fours")
        db.execute("UPDATE made_from SET record = rtrim(record, ' 123456789')")
    since, until, buckets = RANGES[2]
    Record(kept.folder).reduced(("a",), since_ms=since, until_ms=until, buckets=buckets)
    kept.settle()
    assert rows(kept.folder, "fours") > 0
    for since, until, buckets in RANGES:
        check(Record(kept.folder), since, until, buckets)


def test_a_file_that_is_damaged_is_made_anew_and_told(kept: Kept) -> None:
    kept.fill(1500, every_ms=25 * 60_000)
    kept.settle()
    kept.summaries.close()
    for tail in ("-wal", "-shm"):
        (kept.folder / f"{SUMMARIES}{tail}").unlink(missing_ok=True)
    (kept.folder / SUMMARIES).write_bytes(b"no database" * 1000)
    with pytest.raises(StoreError, match="could not be added up"):
        kept.settle()
    kept.settle()
    check(Record(kept.folder), *RANGES[2])


def test_those_of_another_record_are_not_believed(kept: Kept, tmp_path: Path) -> None:
    kept.fill(1500, every_ms=25 * 60_000)
    kept.settle()
    other = tmp_path / "other"
    writer = RecordWriter(other, now="2026-05-04T09:00:00.000Z")
    writer.accept_rig("", utc_ms=T0)
    writer.begin_run(boot="x", software="0", utc_ms=T0 + 5, boottime_ms=0, synchronised=True)
    second = Kept(other, writer)
    second.made = 7  # other numbers
    second.fill(1500, every_ms=25 * 60_000)
    shutil.copy(kept.folder / SUMMARIES, other)
    since, until, _ = RANGES[0]
    found = Record(other).reduced(("a",), since_ms=since, until_ms=until, buckets=9)["a"]
    width = -(-(until - since) // 9)
    alike(found, by_hand(Record(other), "a", since, until, unit=1, width=width))
    second.settle()
    check(Record(other), *RANGES[2])
    second.summaries.close()
    writer.close()


def test_a_boot_whose_clock_is_not_known_yet_waits_for_it(kept: Kept) -> None:
    kept.fill(100, every_ms=60_000)
    kept.writer.begin_run(boot="c", software="0", utc_ms=0, boottime_ms=0, synchronised=False)
    kept.boot_ms = 0
    kept.fill(200, every_ms=60_000, synchronised=False)
    with sqlite3.connect(kept.folder / RECORD) as db:
        db.execute("UPDATE stretch SET known = 'unsure' WHERE first_scan = 101")
    db.close()
    kept.settle()
    with closing(connect_read_only(kept.folder / SUMMARIES)) as db:
        assert db.execute("SELECT scan FROM made_from").fetchone()[0] <= 100
    kept.fill(1500, every_ms=60_000, synchronised=False)  # a day is long enough
    kept.settle()
    with closing(connect_read_only(kept.folder / SUMMARIES)) as db:
        assert db.execute("SELECT scan FROM made_from").fetchone()[0] > 1000
    drop(kept.folder)


class Counting(Record):
    """A record that counts the rows SQLite steps over and the bytes it hands out."""

    rows = 0

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        with super()._open() as db:
            db.set_progress_handler(self._count, 100)
            yield db

    def _count(self) -> int:
        self.rows += 1
        return 0


def test_ten_times_as_long_reads_no_more_rows(kept: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
    kept.fill(6000, every_ms=60 * 60_000)  # 250 days
    kept.settle()

    def looked(since_ms: int, until_ms: int) -> int:
        record = Counting(kept.folder)
        record.reduced(("a",), since_ms=since_ms, until_ms=until_ms, buckets=200)
        record.rows = 0  # what never changes is known now
        record.reduced(("a",), since_ms=since_ms, until_ms=until_ms, buckets=200)
        return record.rows

    short, long = looked(T0, T0 + 24 * DAY), looked(T0, T0 + 240 * DAY)
    assert long < 1.5 * short + 20
    # Short of an hour an interval, but with more scans than are looked at one by one.
    monkeypatch.setattr("longsoak.store.reader._MOST_SCANS", 300)
    since, until = T0 + 7, T0 + 40 * DAY + 7
    found = Record(kept.folder).reduced(("a",), since_ms=since, until_ms=until, buckets=5000)
    alike(found["a"], by_hand(Record(kept.folder), "a", since, until, unit=HOUR, width=HOUR))
