"""What the reader finds, however rare a probe, and whatever is committed meanwhile."""

import shutil
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from math import fsum, inf, isnan, nan
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from longsoak.store.files import RECORD, connect_read_only
from longsoak.store.known import Kept
from longsoak.store.reader import Record
from longsoak.store.scans import Scans
from longsoak.store.timeline import spans
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import AT_LEAST, AT_MOST, Flag, Reason
from longsoak.vocabulary.reading import Reading
from rigs import START_MS, Keeper, small_rig

LEVEL, SLOW, AIR = "water level", "C 10/60", "RH room"
DAY_MS = 86_400_000


class Watched(Record):
    """A record that counts the steps of SQLite's machine, and can act as a statement begins."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.steps = 0
        self.at: dict[str, Iterator[None]] = {}

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        with super()._open() as db:
            db.set_progress_handler(self._count, 100)
            db.set_trace_callback(self._begins)
            yield db

    def _count(self) -> int:
        self.steps += 100
        return 0

    def _begins(self, statement: str) -> None:
        for words, acts in list(self.at.items()):
            if words in statement:
                del self.at[words]
                next(acts, None)


@pytest.fixture
def keeper(tmp_path: Path) -> Iterator[Keeper]:
    with Keeper(tmp_path, small_rig()) as opened:
        yield opened


def many(keeper: Keeper, number: int) -> None:
    """Many scans of the level, as a fast bus leaves them."""
    level: Mapping[str, float | None] = {LEVEL: 70.0}
    keeper.scans([level] * number, after=0.5)


def test_a_probe_is_found_however_many_scans_of_others_came_since(
    keeper: Keeper, tmp_path: Path
) -> None:
    keeper.scan({SLOW: 17.0})
    many(keeper, 30_000)
    latest = Record(tmp_path).latest((SLOW, LEVEL, "never"))
    assert {name: reading.value for name, reading in latest.items()} == {SLOW: 17.0, LEVEL: 70.0}


def test_looking_again_walks_only_what_is_new(keeper: Keeper, tmp_path: Path) -> None:
    keeper.scan({SLOW: 17.0})
    many(keeper, 20_000)
    record = Watched(tmp_path)
    record.latest((SLOW, LEVEL))
    first = record.steps
    many(keeper, 10)
    found = record.latest((SLOW, LEVEL))
    assert first > 20_000  # it had to look at every scan once
    assert record.steps - first < 2_000
    assert found[LEVEL].utc_ms == keeper.now_ms
    keeper.scan({SLOW: 18.0})
    assert record.latest((SLOW,))[SLOW].value == 18.0


def test_the_latest_is_that_of_the_newest_scan_of_any_layout_that_holds_the_probe(
    keeper: Keeper, tmp_path: Path
) -> None:
    record = Record(tmp_path)
    keeper.scan({SLOW: 17.0})
    assert record.latest((SLOW,))[SLOW].value == 17.0
    keeper.scan({AIR: 50.0, SLOW: 18.0})  # a layout that was not there at the first look
    assert record.latest((SLOW,))[SLOW].value == 18.0
    keeper.scan({SLOW: 19.0})
    assert record.latest((SLOW, AIR))[SLOW].value == 19.0


@pytest.mark.parametrize("scans", [3, 30])
def test_a_record_put_in_the_place_of_another_is_read_afresh(tmp_path: Path, scans: int) -> None:
    one, other = tmp_path / "one", tmp_path / "other"
    with Keeper(one, small_rig()) as keeper:
        keeper.scans([{SLOW: 17.0}, *[{LEVEL: 70.0}] * 10])
    with Keeper(other, small_rig()) as keeper:
        keeper.scans([{LEVEL: 80.0}, {SLOW: 20.0}, *[{LEVEL: 80.0}] * scans])
    record = Record(one)
    assert record.latest((SLOW,))[SLOW].value == 17.0
    shutil.rmtree(one)
    other.rename(one)
    latest = record.latest((SLOW, LEVEL))
    assert {name: reading.value for name, reading in latest.items()} == {SLOW: 20.0, LEVEL: 80.0}


@pytest.mark.parametrize("words", ["FROM scan", "FROM layout"])
def test_a_layout_that_comes_up_while_the_record_is_read_upsets_nothing(
    keeper: Keeper, tmp_path: Path, words: str
) -> None:
    def commit(value: float) -> Iterator[None]:
        keeper.scan({LEVEL: 70.0, f"new {value}": value})
        yield

    keeper.scan({SLOW: 17.0})
    record = Watched(tmp_path)
    ways: tuple[Callable[[], object], ...] = (
        lambda: record.scans_after(0, limit=100),
        lambda: record.latest((SLOW, LEVEL)),
        lambda: record.series(SLOW, since_ms=0, until_ms=2**50),
        lambda: record.reduced((SLOW, LEVEL), since_ms=0, until_ms=2**50, buckets=9),
    )
    for number, read in enumerate(ways):
        record.at = {words: commit(float(number))}
        read()
        assert not record.at  # it did come up meanwhile
        assert record.latest((LEVEL,))[LEVEL].utc_ms == keeper.now_ms  # and is not lost for later
    assert len(record.scans_after(0, limit=100)) == 5


def test_one_walk_serves_any_number_of_probes(keeper: Keeper, tmp_path: Path) -> None:
    keeper.scans([{SLOW: 17.0, AIR: 50.0, "C 30/60": 12.0}] * 20_000)
    steps = []
    for probes in ((SLOW,), (SLOW, AIR, "C 30/60")):
        record = Watched(tmp_path)
        record.reduced(probes, since_ms=START_MS, until_ms=keeper.now_ms + 1, buckets=300)
        steps.append(record.steps)
    assert steps[0] > 20_000
    assert steps[1] == pytest.approx(steps[0], rel=0.01)


def test_each_probe_gets_its_own_buckets_and_one_without_readings_none(
    keeper: Keeper, tmp_path: Path
) -> None:
    keeper.scans([{SLOW: 17.0, AIR: 50.0}, {AIR: 52.0}, {LEVEL: 70.0}], after=10)
    found = Record(tmp_path).reduced(
        (AIR, SLOW, "never"), since_ms=START_MS, until_ms=START_MS + 40_000, buckets=1
    )
    assert list(found) == [AIR, SLOW, "never"]
    assert [(b.utc_ms, b.low, b.high, b.mean, b.readings) for b in found[AIR]] == [
        (START_MS, 50.0, 52.0, 51.0, 2)
    ]
    assert [(b.mean, b.readings) for b in found[SLOW]] == [(17.0, 1)]
    assert found["never"] == []


def test_a_time_lived_through_twice_is_one_bucket(keeper: Keeper, tmp_path: Path) -> None:
    keeper.scans([{AIR: 50.0}] * 4, after=1)
    keeper.now_ms = START_MS  # the clock was set back
    keeper.scans([{AIR: 54.0}] * 4, after=1)
    found = Record(tmp_path).reduced(
        (AIR,), since_ms=START_MS, until_ms=START_MS + 10_000, buckets=1
    )
    (bucket,) = found[AIR]
    assert (bucket.low, bucket.high, bucket.mean, bucket.readings) == (50.0, 54.0, 52.0, 8)


def test_what_is_remembered_does_not_grow_with_the_number_of_looks(
    keeper: Keeper, tmp_path: Path
) -> None:
    keeper.scans([{AIR: 50.0}] * 60, after=10)
    kept = Kept()
    with closing(connect_read_only(tmp_path / RECORD)) as db:
        for number in range(50):
            since = START_MS + 10_000 * number
            assert spans(db, Scans(db, kept), since, since + 25_000)
    assert len(kept.ends) == 1


Judged = tuple[float, Flag, Reason]
judged = st.tuples(
    st.one_of(st.floats(width=32, allow_nan=True), st.just(nan)),
    st.sampled_from(Flag),
    st.sampled_from(Reason),
)


@settings(deadline=None)  # it opens files, and the machine may be busy
@given(
    rows=st.lists(st.tuples(judged, judged, st.booleans()), min_size=1, max_size=30),
    buckets=st.integers(1, 7),
)
def test_buckets_hold_what_the_readings_one_by_one_add_up_to(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[tuple[Judged, Judged, bool]],
    buckets: int,
) -> None:
    folder = tmp_path_factory.mktemp("judged")
    with Keeper(folder, small_rig()) as keeper:
        for slow, air, together in rows:
            flags = {SLOW: slow[1:], AIR: air[1:]}
            both = {SLOW: slow[0], AIR: air[0]}
            keeper.scan(both if together else {AIR: air[0]}, flags=flags)
        until = keeper.now_ms + 1
    record = Record(folder)
    found = record.reduced((SLOW, AIR), since_ms=START_MS, until_ms=until, buckets=buckets)
    width = -(-(until - START_MS) // buckets)
    for probe, got in found.items():
        groups: dict[int, list[Reading]] = {}
        for reading in record.series(probe, since_ms=START_MS, until_ms=until):
            groups.setdefault((reading.utc_ms - START_MS) // width, []).append(reading)
        assert [b.utc_ms for b in got] == [START_MS + i * width for i in groups]
        for bucket, readings in zip(got, groups.values(), strict=True):
            good = [r for r in readings if r.value is not None and r.flag is not Flag.FAIL]
            values = [r.value for r in good if r.value is not None]
            spreads = [r.uncertainty for r in good if r.uncertainty is not None]
            wetter = sum(r.reason in AT_LEAST for r in good)
            drier = sum(r.reason in AT_MOST for r in good)
            assert bucket.readings == len(readings)
            assert bucket.low == min(values, default=None)
            assert bucket.high == max(values, default=None)
            assert bucket.uncertainty == max(spreads, default=None)
            assert (bucket.wetter, bucket.drier) == (wetter, drier)
            worst = (Flag.FAIL, Flag.SUSPECT, Flag.MISSING, Flag.NOT_EVALUATED, Flag.PASS)
            assert bucket.worst is next(f for f in worst if f in {r.flag for r in readings})
            if not values or wetter or drier:
                assert bucket.mean is None
            elif {inf, -inf} <= set(values):
                assert bucket.mean is None or isnan(bucket.mean)
            else:
                assert bucket.mean == pytest.approx(fsum(values) / len(values), rel=1e-12)


def test_a_row_that_is_not_as_long_as_its_layout_says_is_told_and_not_guessed_at(
    keeper: Keeper, tmp_path: Path
) -> None:
    keeper.scans([{SLOW: 17.0, AIR: 50.0}] * 3)
    with sqlite3.connect(tmp_path / RECORD) as db:
        db.execute("UPDATE scan SET readings = substr(readings, 2) WHERE id = 2")
    db.close()
    with pytest.raises(StoreError, match="not as they were kept"):
        Record(tmp_path).reduced((SLOW,), since_ms=0, until_ms=2**50, buckets=3)


def test_the_last_value_of_each_silent_probe_is_found_in_one_walk_back(
    keeper: Keeper, tmp_path: Path
) -> None:
    keeper.scan({SLOW: 17.0, AIR: 50.0})
    at = keeper.now_ms
    keeper.scan({SLOW: None, AIR: 51.0})
    keeper.scans([{SLOW: None, AIR: None, LEVEL: 70.0}] * 3_000)
    record = Watched(tmp_path)
    found = record.last_values((SLOW, AIR, "never"), since_ms=at, until_ms=keeper.now_ms + 1)
    assert found == {SLOW: at, AIR: at + 1000}
    both = record.steps
    record.last_values((SLOW,), since_ms=at, until_ms=keeper.now_ms + 1)
    assert record.steps - both == pytest.approx(both, rel=0.1)
    later = record.last_values((SLOW, AIR), since_ms=at + 1, until_ms=keeper.now_ms + 1)
    assert later == {AIR: at + 1000}


def test_no_two_scans_of_a_rig_have_one_number_in_one_run(tmp_path: Path) -> None:
    keys = set()
    for folder in ("one", "begun anew after damage"):
        with Keeper(tmp_path / folder, small_rig()) as keeper:
            keeper.scans([{SLOW: 17.0}] * 3)
            boot = "b" if folder == "one" else "the same"
            for started in (7_000, 9_000):
                keeper.writer.begin_run(
                    boot=boot,
                    software="0",
                    utc_ms=START_MS,
                    boottime_ms=started,
                    synchronised=True,
                )
                keeper.scans([{SLOW: 17.0}] * 3)
        scans = Record(tmp_path / folder).scans_after(0, limit=99)
        assert len({scan.run for scan in scans}) == 3
        found = {(scan.run, scan.id) for scan in scans}
        assert len(found) == len(scans) == 9
        keys |= found if folder == "one" else {(r, i) for r, i in found if i > 3}
    assert len(keys) == 9 + 6


def test_a_folder_that_can_not_be_looked_into_is_told_with_what_to_see_to(tmp_path: Path) -> None:
    """As on a disk that has died; a name that no file system takes is refused in the same way."""
    with pytest.raises(StoreError, match=r"can't be looked into: .+\. See to the disk it is on\."):
        Record(tmp_path / ("x" * 300)).version()
