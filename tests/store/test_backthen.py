"""How a record stood at a time in the past; that every look says so is held by test_oracle.py."""

import math
from array import array
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from longsoak.store.codec import float_at, pack_floats
from longsoak.store.packing import Full
from longsoak.store.reader import Record
from longsoak.store.sealed import pack_readings, unpack_reading
from longsoak.store.sealing import SealingPlan
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan

T0 = 1_777_885_200_000
MINUTE, HOUR = 60_000, 3_600_000


def bits(value: float, code: str) -> bytes:
    return array(code, [value]).tobytes()


NUMBERS = st.one_of(
    st.floats(),
    st.floats(-1e3, 1e3).map(lambda x: round(x, 2)),
    st.integers(-(10**6), 10**6).map(float),
)


@settings(max_examples=200, deadline=None)
@given(st.lists(NUMBERS, min_size=1, max_size=60), st.data())
def test_one_number_is_the_same_alone_as_among_all(
    values: list[float], data: st.DataObject
) -> None:
    place = data.draw(st.integers(0, len(values) - 1))
    steady = [1e6 + 1000 * place + value for place, value in enumerate(values)]  # kept as steps
    for column in (values, steady):
        found = float_at(pack_floats(column, size=8), place, size=8)
        assert bits(found, "d") == bits(column[place], "d")


@settings(deadline=None)
@given(st.lists(st.floats(width=32), min_size=1, max_size=60), st.data())
def test_one_short_number_too(values: list[float], data: st.DataObject) -> None:
    place = data.draw(st.integers(0, len(values) - 1))
    found = float_at(pack_floats(values, size=4), place, size=4)
    assert bits(found, "f") == bits(values[place], "f")


def test_there_is_no_number_behind_the_last() -> None:
    for values in ([1.0, 2.0, 3.0, 4.0], [5.0, 5.0, 1.0]):
        with pytest.raises(IndexError):
            float_at(pack_floats(values, size=8), len(values), size=8)


def test_a_column_of_another_length_than_its_scans_is_told_as_damage() -> None:
    data = pack_readings(Full((1.0,), (2.0,), (3.0,), (1,), (0,)), of="1 a")
    assert unpack_reading(data, 0, of="1 a", among=1) == Full((1.0,), (2.0,), (3.0,), (1,), (0,))
    with pytest.raises(ValueError, match="1 readings of 2"):
        unpack_reading(data, 0, of="1 a", among=2)


def record(folder: Path, *, minutes: int) -> RecordWriter:
    """A scan of two probes a minute, the second of them every fifth."""
    writer = RecordWriter(folder, now="2026-05-04T09:00:00.000Z")
    writer.accept_rig("first", utc_ms=T0)
    begin(writer, boot="b", after=0)
    writer.commit(Batch(scans=[scan(n) for n in range(minutes)]))
    return writer


def begin(writer: RecordWriter, *, boot: str, after: int) -> None:
    writer.begin_run(
        boot=boot,
        software="0",
        utc_ms=T0 + after * MINUTE,
        boottime_ms=after * MINUTE,
        synchronised=True,
    )


def scan(n: int) -> Scan:
    probes = ("a", "slow") if n % 5 == 0 else ("a",)
    wide = len(probes)
    return Scan(
        "wire",
        T0 + n * MINUTE,
        n * MINUTE,
        True,
        probes,
        ("Ohm",) * wide,
        (1e6 + n,) * wide,
        (10.0 + n,) * wide,
        (math.nan,) * wide,
        (Flag.PASS,) * wide,
        (Reason.NONE,) * wide,
    )


@pytest.mark.parametrize("sealed", [False, True])
def test_a_reading_stands_until_its_patience_has_run_out(tmp_path: Path, *, sealed: bool) -> None:
    writer = record(tmp_path, minutes=103)
    if sealed:
        sealing = writer.sealing(SealingPlan(tail=10, lengths=(40,), enough=5))
        while sealing.bite():
            pass
    look = Record(tmp_path)
    patience = {"a": 2 * MINUTE, "slow": 5 * MINUTE, "never": HOUR}
    at = T0 + 48 * MINUTE + 59_999
    found = look.latest_at(patience, utc_ms=at)
    assert {name: (r.value, r.raw) for name, r in found.items()} == {
        "a": (58.0, 1e6 + 48),
        "slow": (55.0, 1e6 + 45),
    }
    assert look.latest_at(patience, utc_ms=T0 - 1) == {}
    end = T0 + 102 * MINUTE
    assert set(look.latest_at(patience, utc_ms=end + 2 * MINUTE)) == {"a", "slow"}
    assert set(look.latest_at(patience, utc_ms=end + 2 * MINUTE + 1)) == {"slow"}
    assert look.latest_at(patience, utc_ms=end + 5 * MINUTE) == {}
    assert look.latest_at({}, utc_ms=end) == {}
    writer.close()


def test_a_time_is_told_by_its_last_scan_and_the_rig_file_of_that(tmp_path: Path) -> None:
    writer = record(tmp_path, minutes=4)
    writer.accept_rig("second", utc_ms=T0 + 9 * MINUTE)
    begin(writer, boot="c", after=10)
    writer.commit(Batch(scans=[scan(n) for n in range(10, 13)]))
    look = Record(tmp_path)
    assert look.stood(T0 - 1) is None
    told = {}
    for minute in range(14):
        stood = look.stood(T0 + minute * MINUTE)
        assert stood is not None
        told[minute] = ((stood.last_utc_ms - T0) // MINUTE, stood.version.text)
    assert [told[m] for m in (0, 3, 9)] == [(0, "first"), (3, "first"), (3, "first")]
    assert [told[m] for m in (10, 12, 13)] == [(10, "second"), (12, "second"), (12, "second")]
    writer.close()


def test_alarms_are_told_as_they_stood(tmp_path: Path) -> None:
    writer = record(tmp_path, minutes=10)
    states = (AlarmState.NORMAL, AlarmState.NEW, AlarmState.ACKNOWLEDGED, AlarmState.NORMAL)
    changes = [
        AlarmChange("dry", T0 + n * MINUTE, n * MINUTE, old, new, None, "", None)
        for n, (old, new) in zip((2, 4, 7), pairwise(states), strict=True)
    ]
    writer.commit(Batch(changes=changes))
    look = Record(tmp_path)
    stood = [
        {key: change.new for key, change in look.alarms_at(T0 + n * MINUTE).items()}
        for n in (1, 2, 5, 9)
    ]
    assert stood == [
        {},
        {"dry": AlarmState.NEW},
        {"dry": AlarmState.ACKNOWLEDGED},
        {"dry": AlarmState.NORMAL},
    ]
    writer.close()


def test_no_record_is_no_past(tmp_path: Path) -> None:
    with pytest.raises(StoreError):
        Record(tmp_path).stood(T0)
