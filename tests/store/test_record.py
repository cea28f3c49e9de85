"""What is committed can be read back, whatever the clock and the power did."""

import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from math import isnan, nan
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from longsoak.store.packing import BYTES_PER_READING, pack, unpack
from longsoak.store.reader import Record
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan

NOW = "2031-02-03T04:05:06Z"
T0 = 1_900_000_000_000


def scan(
    utc_ms: int,
    *values: float,
    boottime_ms: int | None = None,
    probes: tuple[str, ...] = ("a", "b"),
    flag: Flag = Flag.PASS,
) -> Scan:
    n = len(probes)
    return Scan(
        "bus",
        utc_ms,
        utc_ms - T0 + 5000 if boottime_ms is None else boottime_ms,
        True,
        probes,
        ("Ohm",) * n,
        tuple(v * 1e6 for v in values),
        values,
        (0.5,) * n,
        (flag,) * n,
        (Reason.NONE,) * n,
    )


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[RecordWriter]:
    opened = RecordWriter(tmp_path, now=NOW)
    opened.accept_rig("first", utc_ms=T0)
    opened.begin_run(boot="boot-1", software="0", utc_ms=T0, boottime_ms=5000, synchronised=True)
    yield opened
    opened.close()


numbers = st.floats(allow_nan=True, allow_infinity=True)


@given(
    st.lists(
        st.tuples(
            numbers,
            st.floats(width=32),
            st.floats(width=32),
            st.sampled_from(Flag),
            st.sampled_from(Reason),
        ),
        min_size=1,
        max_size=70,
    )
)
def test_a_scan_reads_back_bit_for_bit(
    rows: list[tuple[float, float, float, Flag, Reason]],
) -> None:
    raw, values, uncertainties, flags, reasons = zip(*rows, strict=True)
    probes = tuple(f"p{i}" for i in range(len(rows)))
    units = ("Ohm",) * len(rows)
    packed = pack(Scan("b", T0, 0, True, probes, units, raw, values, uncertainties, flags, reasons))
    assert len(packed) == BYTES_PER_READING * len(rows)
    for row, reading in zip(
        rows, unpack(packed, probes=probes, units=units, utc_ms=T0), strict=True
    ):
        for expected, got in zip(
            row[:3], (reading.raw, reading.value, reading.uncertainty), strict=True
        ):
            assert got is None if isnan(expected) else got == expected
        assert (reading.flag, reading.reason) == row[3:]


def test_latest_looks_past_scans_that_lack_the_probe(writer: RecordWriter, tmp_path: Path) -> None:
    scans = [scan(T0, 1.0, 2.0)]
    scans += [scan(T0 + i * 1000, 3.0 + i, probes=("level",)) for i in range(1, 900)]
    writer.commit(Batch(scans=scans))
    latest = Record(tmp_path).latest(("a", "b", "level", "never"))
    assert {name: reading.value for name, reading in latest.items()} == {
        "a": 1.0,
        "b": 2.0,
        "level": 902.0,
    }


@settings(deadline=None)  # it opens files, and the machine may be busy
@given(since=st.integers(-5, 105), until=st.integers(-5, 105), buckets=st.integers(1, 40))
def test_any_time_range_gives_what_a_plain_filter_gives(
    tmp_path_factory: pytest.TempPathFactory, since: int, until: int, buckets: int
) -> None:
    folder = _hundred_seconds(tmp_path_factory)
    record = Record(folder)
    expected = [i for i in range(100) if since <= i < until]
    got = record.series("a", since_ms=T0 + since * 1000, until_ms=T0 + until * 1000)
    assert [reading.value for reading in got] == expected
    if since < until:
        reduced = record.reduced(
            ("a",), since_ms=T0 + since * 1000, until_ms=T0 + until * 1000, buckets=buckets
        )["a"]
        assert len(reduced) <= buckets
        assert sum(bucket.readings for bucket in reduced) == len(expected)
        if expected:
            assert min(b.low for b in reduced if b.low is not None) == expected[0]
            assert max(b.high for b in reduced if b.high is not None) == expected[-1]


_MADE: dict[str, Path] = {}


def _hundred_seconds(factory: pytest.TempPathFactory) -> Path:
    if "folder" not in _MADE:
        folder = _MADE["folder"] = factory.mktemp("hundred")
        writer = RecordWriter(folder, now=NOW)
        writer.accept_rig("first", utc_ms=T0)
        writer.begin_run(
            boot="boot-1", software="0", utc_ms=T0, boottime_ms=5000, synchronised=True
        )
        for i in range(100):
            writer.commit(Batch(scans=[scan(T0 + i * 1000, float(i), float(-i))]))
        writer.close()
    return _MADE["folder"]


def test_a_clock_that_is_set_starts_a_stretch_and_both_sides_are_found(
    writer: RecordWriter, tmp_path: Path
) -> None:
    year = 365 * 86400 * 1000
    for i in range(10):  # booted in the past
        writer.commit(Batch(scans=[scan(T0 - year + i * 1000, i, 0, boottime_ms=i * 1000)]))
    for i in range(10, 20):  # then set
        writer.commit(Batch(scans=[scan(T0 + i * 1000, i, 0, boottime_ms=i * 1000)]))
    record = Record(tmp_path)
    past = record.series("a", since_ms=T0 - year, until_ms=T0 - year + 60_000)
    present = record.series("a", since_ms=T0, until_ms=T0 + 60_000)
    assert [r.value for r in past] == list(range(10))
    assert [r.value for r in present] == list(range(10, 20))
    assert "the clock was set 365 days on" in record.events(limit=1)[0].says


def test_failed_readings_count_but_give_no_value(writer: RecordWriter, tmp_path: Path) -> None:
    writer.commit(
        Batch(
            scans=[
                scan(T0, 10.0, 0),
                scan(T0 + 1, 90.0, 0, flag=Flag.FAIL),
                scan(T0 + 2, nan, 0, flag=Flag.MISSING),
            ]
        )
    )
    (bucket,) = Record(tmp_path).reduced(("a",), since_ms=T0, until_ms=T0 + 1000, buckets=1)["a"]
    assert (bucket.low, bucket.high, bucket.mean) == (10.0, 10.0, 10.0)
    assert (bucket.readings, bucket.worst) == (3, Flag.FAIL)


def test_a_commit_keeps_all_of_its_batch_or_nothing(writer: RecordWriter, tmp_path: Path) -> None:
    good = scan(T0, 1.0, 2.0)
    bad_change = AlarmChange("k", T0, 0, AlarmState.NORMAL, AlarmState.NEW, None, None, None)  # type: ignore[arg-type]  # a NULL the schema refuses
    with pytest.raises(StoreError, match="could not be kept"):
        writer.commit(Batch(scans=[good], changes=[bad_change]))
    record = Record(tmp_path)
    assert record.version() == (0, 0)
    writer.commit(Batch(scans=[good]))  # and the writer goes on as if nothing had been
    assert record.version() == (1, 0)
    assert [r.value for r in record.series("b", since_ms=T0, until_ms=T0 + 1)] == [2.0]


def test_readings_point_to_the_rig_file_they_were_taken_under(
    writer: RecordWriter, tmp_path: Path
) -> None:
    writer.commit(Batch(scans=[scan(T0, 1.0, 2.0)]))
    assert writer.accept_rig("second", utc_ms=T0 + 1) == 2
    record = Record(tmp_path)
    before = record.rig_version()
    writer.commit(Batch(scans=[scan(T0 + 1, 1.0, 2.0)]))
    after = record.rig_version()
    assert before is not None
    assert after is not None
    assert (before.text, after.text) == ("first", "second")
    assert writer.accept_rig("first", utc_ms=T0 + 2) == 1  # going back adds no version


def test_a_second_recorder_is_refused_and_told_who_holds_the_record(
    writer: RecordWriter, tmp_path: Path
) -> None:
    with pytest.raises(StoreError, match=f"process {os.getpid()} is recording"):
        RecordWriter(tmp_path, now=NOW)


def test_the_lock_goes_with_a_killed_process(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from longsoak.store.writer import RecordWriter\n"
        f"w = RecordWriter(Path(sys.argv[1]), now={NOW!r}); print('held', flush=True)\n"
        "sys.stdin.read()"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with child:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        child.kill()
    RecordWriter(tmp_path, now=NOW).close()


def test_without_a_record_the_reader_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"there is no record at .* Start `longsoak run`"):
        Record(tmp_path).version()


def test_rewinding_a_cursor_goes_back_by_time_and_stops_at_a_reboot(
    writer: RecordWriter, tmp_path: Path
) -> None:
    for i in range(50):
        writer.commit(Batch(scans=[scan(T0 + i * 1000, i, 0, boottime_ms=100_000 + i * 1000)]))
    for i in range(10):
        writer.commit(Batch(scans=[scan(T0 + 60_000 + i * 1000, i, 0, boottime_ms=i * 1000)]))
    record = Record(tmp_path)
    assert record.scan_before(40, seconds=10) == 29  # scan 40 was at 139 s; 30 is the first resent
    assert record.scan_before(55, seconds=60) == 50
    assert record.scan_before(5, seconds=60) == 0
    assert record.scan_before(0, seconds=60) == 0


def test_a_record_without_a_scan_has_no_readings_and_no_complaint(
    writer: RecordWriter, tmp_path: Path
) -> None:
    record = Record(tmp_path)
    assert record.series("a", since_ms=0, until_ms=2**53) == []
    assert record.reduced(("a",), since_ms=0, until_ms=2**53, buckets=10) == {"a": []}
    assert record.latest(("a",)) == {}
    assert record.scans_after(0, limit=10) == []
    assert (record.first_utc_ms(), record.last_utc_ms()) == (None, None)
    version = record.rig_version()
    assert version is not None
    assert version.text == "first"


def test_a_bound_is_no_number_to_average(writer: RecordWriter, tmp_path: Path) -> None:
    beyond = replace(scan(T0 + 1, 25.0, 7.0), reasons=(Reason.WETTER_THAN_CURVE, Reason.NONE))
    writer.commit(Batch(scans=[scan(T0, 20.0, 8.0), beyond]))
    record = Record(tmp_path)
    (wet,) = record.reduced(("a",), since_ms=T0, until_ms=T0 + 1000, buckets=1)["a"]
    assert (wet.low, wet.high, wet.mean, wet.wetter, wet.drier) == (20.0, 25.0, None, 1, 0)
    (plain,) = record.reduced(("b",), since_ms=T0, until_ms=T0 + 1000, buckets=1)["b"]
    assert (plain.mean, plain.wetter) == (7.5, 0)
