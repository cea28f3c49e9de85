"""Sealed scans read back as they were, to the last bit, through every way of reading."""

import math
import random
import sqlite3
import struct
from array import array
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from longsoak.store.arrays import Columns, doubles, singles
from longsoak.store.codec import pack_floats, pack_whole, unpack_floats, unpack_whole
from longsoak.store.files import RECORD, connect_read_only
from longsoak.store.reader import Record
from longsoak.store.scans import scan_rows
from longsoak.store.sealed import ScanRow
from longsoak.store.sealing import SealingPlan
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan

T0 = 1_777_885_200_000
SMALL = SealingPlan(tail=10, lengths=(40, 80), enough=10)

bits64 = st.integers(0, 2**64 - 1).map(lambda n: struct.unpack("<d", struct.pack("<Q", n))[0])
bits32 = st.integers(0, 2**32 - 1).map(lambda n: struct.unpack("<f", struct.pack("<I", n))[0])
decimals = st.decimals(-(10**9), 10**9, places=4).map(float)


@example([0.0, 1.5, -0.0])  # equal to the other zero, and not the same
@example([-0.0])
@given(st.lists(st.one_of(bits64, decimals, st.just(math.nan), st.floats())))
def test_any_float_comes_back_to_the_last_bit(values: list[float]) -> None:
    packed = pack_floats(values, size=8)
    assert array("d", unpack_floats(packed, size=8)).tobytes() == array("d", values).tobytes()
    assert doubles(packed).tobytes() == array("d", values).tobytes()


@given(st.lists(st.one_of(bits32, st.just(math.nan), st.floats(width=32))))
def test_any_short_float_comes_back_to_the_last_bit(values: list[float]) -> None:
    packed = pack_floats(values, size=4)
    assert array("f", unpack_floats(packed, size=4)).tobytes() == array("f", values).tobytes()
    assert singles(packed).tobytes() == array("f", values).tobytes()


@example([4, 8] * 40 + [9])  # what nearly all share
@given(st.lists(st.integers(-(2**62), 2**62)))
def test_any_whole_number_comes_back(numbers: list[int]) -> None:
    assert unpack_whole(pack_whole(numbers)) == numbers


@dataclass
class Kept:
    """A record, and the rows it was given."""

    folder: Path
    writer: RecordWriter
    scans: int = 0

    def scan(self, probes: tuple[str, ...], *, every_ms: int = 1000, bus: str = "b") -> None:
        """Commit one scan of numbers that are never the same."""
        random_ = random.Random(self.scans)  # noqa: S311 - numbers to keep
        self.scans += 1
        n = len(probes)
        at = self.scans * every_ms
        scan = Scan(
            bus,
            T0 + at,
            at,
            True,
            probes,
            ("Ohm",) * n,
            tuple(round(random_.lognormvariate(15, 1), 3) for _ in range(n)),
            tuple(random_.gauss(17, 0.1) if random_.random() < 0.9 else math.nan for _ in range(n)),
            tuple(random_.uniform(0.1, 1) for _ in range(n)),
            tuple(random_.choice(list(Flag)) for _ in range(n)),
            tuple(random_.choice(list(Reason)) for _ in range(n)),
        )
        self.writer.commit(Batch(scans=[scan]))

    def seal(self, plan: SealingPlan = SMALL) -> None:
        """Seal all that is due."""
        sealing = self.writer.sealing(plan)
        while sealing.bite():
            pass

    def rows(self) -> list[ScanRow]:
        """Every scan as it is read."""
        with closing(connect_read_only(self.folder / RECORD)) as db:
            return list(scan_rows(db, 1, 2**62))

    def live(self) -> int:
        """Scans that are still rows."""
        with closing(connect_read_only(self.folder / RECORD)) as db:
            return int(db.execute("SELECT count(*) FROM scan").fetchone()[0])


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    writer = RecordWriter(tmp_path, now="2026-05-04T09:00:00.000Z")
    writer.accept_rig("", utc_ms=T0)
    writer.begin_run(boot="b", software="0", utc_ms=T0, boottime_ms=0, synchronised=True)
    yield Kept(tmp_path, writer)
    writer.close()


PASSES = (("a", "b", "c"), ("a",), ("c", "a"), ("level",))


def fill(kept: Kept, scans: int) -> None:
    for number in range(scans):
        kept.scan(PASSES[number % 7 % 4], bus="water" if number % 7 % 4 == 3 else "b")


def test_sealed_rows_are_the_rows_that_were_committed(kept: Kept) -> None:
    fill(kept, 200)
    before = kept.rows()
    kept.seal()
    assert kept.live() < 100
    assert kept.rows() == before
    fill(kept, 100)
    after = kept.rows()
    kept.seal()
    assert kept.rows() == after
    assert after[:200] == before


def arrays(columns: Columns) -> list[bytes]:
    """The bytes of all arrays."""
    return [getattr(columns, name).tobytes() for name in columns.__slots__]


def test_arrays_hold_what_readings_one_by_one_say(kept: Kept) -> None:
    fill(kept, 200)
    kept.seal()
    record = Record(kept.folder)
    since, until = T0 + 30_500, T0 + 190_500
    found = record.columns(("a", "level"), since_ms=since, until_ms=until)
    for probe, columns in found.items():
        readings = record.series(probe, since_ms=since, until_ms=until)
        assert columns.utc_ms.tolist() == [r.utc_ms for r in readings]
        assert columns.raw.tolist() == [r.raw for r in readings]
        values = [math.nan if r.value is None else r.value for r in readings]
        assert array("f", columns.values.tolist()).tobytes() == array("f", values).tobytes()
        assert columns.uncertainties.tolist() == [r.uncertainty for r in readings]
        assert columns.flags.tolist() == [r.flag for r in readings]
        assert columns.reasons.tolist() == [r.reason for r in readings]
        assert len(columns.scans) == len(readings)


def test_every_way_of_reading_reads_the_same_before_and_after(kept: Kept) -> None:
    fill(kept, 200)
    unchanged = Record(kept.folder)  # it remembers what it saw before sealing
    ranges = [(T0 + a, T0 + b) for a, b in ((0, 10**6), (30_500, 90_500), (41_000, 41_001))]

    def looks(record: Record) -> list[object]:
        found: list[object] = [record.latest(("a", "b", "c", "level", "never"))]
        found += [record.first_utc_ms(), record.last_utc_ms()]
        found += [record.scan_before(n, seconds=20) for n in (5, 60, 200)]
        found.append([repr(scan) for scan in record.scans_after(17, limit=100)])
        for since, until in ranges:
            found.append(repr(record.series("a", since_ms=since, until_ms=until)))
            found.append(record.reduced(("a", "level"), since_ms=since, until_ms=until, buckets=11))
            found.append(
                [
                    arrays(c)
                    for c in record.columns(
                        ("a", "level", "never"), since_ms=since, until_ms=until
                    ).values()
                ]
            )
            found.append(record.last_values(("a", "b", "x"), since_ms=since, until_ms=until))
        return found

    before = looks(unchanged)
    kept.seal()
    assert kept.live() < 100
    assert looks(unchanged) == before
    assert looks(Record(kept.folder)) == before


def test_a_length_that_is_too_short_for_one_probe_waits_for_a_longer_one(kept: Kept) -> None:
    for number in range(70):
        kept.scan(("a", "slow") if number % 5 == 0 else ("a",))
    kept.seal()
    assert kept.live() == 70  # 8 readings of "slow" in 40 scans are not enough
    for _ in range(20):
        kept.scan(("a",))
    kept.seal()
    assert kept.live() == 10  # the greatest length is sealed in any case


def test_a_length_with_many_readings_is_sealed_though_one_probe_is_slow(kept: Kept) -> None:
    plan = SealingPlan(tail=10, lengths=(40, 80), enough=10, most=48)
    for number in range(51):
        kept.scan(("a", "slow") if number % 5 == 0 else ("a",))
    kept.seal(replace(plan, most=49))
    assert kept.live() == 51  # 40 of "a" and 8 of "slow"
    kept.seal(plan)
    assert kept.live() == 11


def test_a_probe_that_is_only_in_sealed_scans_is_still_found(kept: Kept) -> None:
    kept.scan(("gone", "a"))
    for _ in range(120):
        kept.scan(("a",))
    before = Record(kept.folder).latest(("gone",))
    kept.seal()
    assert Record(kept.folder).latest(("gone",)) == before
    assert before["gone"].utc_ms == T0 + 1000


def test_times_are_found_over_a_step_of_the_clock_inside_sealed_scans(kept: Kept) -> None:
    fill(kept, 60)
    kept.writer.begin_run(boot="c", software="0", utc_ms=T0, boottime_ms=0, synchronised=True)
    kept.scans = 20  # this boot's clock runs over the same time again
    fill(kept, 100)
    record = Record(kept.folder)
    before = [
        repr(record.series("a", since_ms=T0 + at, until_ms=T0 + at + 9000))
        for at in range(0, 130_000, 7000)
    ]
    kept.seal()
    assert kept.live() < 100
    fresh = Record(kept.folder)
    for number, at in enumerate(range(0, 130_000, 7000)):
        found = fresh.series("a", since_ms=T0 + at, until_ms=T0 + at + 9000)
        assert repr(found) == before[number]
        assert all(T0 + at <= reading.utc_ms < T0 + at + 9000 for reading in found)


def test_a_scan_that_is_missing_stops_sealing_with_one_sentence(kept: Kept) -> None:
    fill(kept, 100)
    with sqlite3.connect(kept.folder / RECORD) as db:
        db.execute("DELETE FROM scan WHERE id = 20")
    db.close()
    before = kept.rows()
    with pytest.raises(StoreError, match="scans 1 to 80 can't be sealed: some of them"):
        kept.seal()
    assert kept.rows() == before


@settings(deadline=None, max_examples=25)
@given(st.lists(st.tuples(st.integers(0, 3), st.sampled_from(["scan", "scan", "seal"]))))
def test_whenever_sealing_happens_nothing_changes(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[int, str]]
) -> None:
    folder = tmp_path_factory.mktemp("sealed")
    writer = RecordWriter(folder, now="2026-05-04T09:00:00.000Z")
    writer.accept_rig("", utc_ms=T0)
    writer.begin_run(boot="b", software="0", utc_ms=T0, boottime_ms=0, synchronised=True)
    kept = Kept(folder, writer)
    plan = SealingPlan(tail=1, lengths=(2, 4), enough=2)
    expected: list[ScanRow] = []
    for passes, step in steps:
        if step == "seal":
            kept.seal(plan)
        else:
            kept.scan(PASSES[passes])
            expected.append(kept.rows()[-1])
        assert kept.rows() == expected
    writer.close()


ODD = (-0.0, 0.0, 5e-324, -2.2e-308, math.inf, -math.inf, 2.0**53 - 1, 2.0**53 + 2, 1.7e308)
ODD_SINGLES = (-0.0, 0.0, 1.401298464324817e-45, math.inf, -math.inf, 16777215.0)


def test_odd_numbers_names_and_units_are_read_as_they_were_committed(tmp_path: Path) -> None:
    writer = RecordWriter(tmp_path, now="2026-05-04T09:00:00.000Z")
    writer.accept_rig("", utc_ms=T0)
    writer.begin_run(boot="b", software="0", utc_ms=T0, boottime_ms=0, synchronised=True)
    # A decomposed letter beside the composed one, a name of nothing but a mark, one above 2**16.
    names = ("e\u0301", "\u00e9", "\u200d", "\U0001f4a7", "'; --", "same")
    committed: list[tuple[object, ...]] = []
    batch = Batch()
    for number in range(130):
        bus = "one" if number % 2 else "two"  # both have the probes of the same names
        units = tuple("Ohm" if (number // 20 + i) % 2 else "\u03a9" for i in range(len(names)))
        raw = tuple(ODD[(number + i * 5) % len(ODD)] for i in range(len(names)))
        values = tuple(ODD_SINGLES[(number + i) % len(ODD_SINGLES)] for i in range(len(names)))
        spreads = tuple(ODD_SINGLES[number // 3 % len(ODD_SINGLES)] for _ in names)
        batch.scans.append(
            Scan(
                bus,
                T0 + number * 1000,
                number * 1000,
                True,
                names,
                units,
                raw,
                values,
                spreads,
                (Flag.PASS,) * len(names),
                (Reason.NONE,) * len(names),
            )
        )
        committed += [
            (name, unit, *(struct.pack("<d", number) for number in numbers))
            for name, unit, *numbers in zip(names, units, raw, values, spreads, strict=True)
        ]
    writer.commit(batch)
    kept = Kept(tmp_path, writer)
    held = Record(tmp_path)

    def read(record: Record) -> list[tuple[object, ...]]:
        return [
            (
                r.probe,
                r.raw_unit,
                *(
                    struct.pack("<d", math.nan if n is None else n)
                    for n in (r.raw, r.value, r.uncertainty)
                ),
            )
            for scan in record.scans_after(0, limit=1000)
            for r in scan.readings
        ]

    def drawn(record: Record) -> list[str]:
        until = T0 + 40 * 86_400_000  # all in one interval, with or without sums
        found = record.reduced(names, since_ms=T0, until_ms=until, buckets=1)
        return [repr((b.low, b.high, b.mean, b.readings)) for name in names for b in found[name]]

    assert read(held) == committed
    before = drawn(held)
    assert len(before) == len(names)
    kept.seal()
    assert kept.live() < 60
    assert drawn(held) == before
    summaries = writer.summaries()
    while summaries.bite():
        pass
    summaries.close()
    writer.close()
    for record in (held, Record(tmp_path)):
        assert read(record) == committed
        assert drawn(record) == before
        columns = record.columns(names, since_ms=T0, until_ms=T0 + 10**6)
        for name in names:
            own = [row for row in committed if row[0] == name]
            found = record.series(name, since_ms=T0, until_ms=T0 + 10**6)
            assert [(r.probe, r.raw_unit) for r in found] == [row[:2] for row in own]
            assert [struct.pack("<d", n) for n in columns[name].raw.tolist()] == [
                row[2] for row in own
            ]
            assert [struct.pack("<d", n) for n in columns[name].values.tolist()] == [
                row[3] for row in own
            ]
