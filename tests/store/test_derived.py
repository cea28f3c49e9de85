"""Values are derived again from raw, shown in place of those kept, and these stay."""

import shutil
import sqlite3
from array import array
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TypedDict

import pytest

from bench.kept64 import EVERY_MS, START_MS, Path64, Wood, path64, rig
from longsoak.store.aside import damaged
from longsoak.store.derived import DERIVED, Derivation, take_away
from longsoak.store.files import RECORD, connect_read_only
from longsoak.store.reader import Record
from longsoak.store.rederiving import Rederiving
from longsoak.store.sealing import SealingPlan
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan
from longsoak.vocabulary.rig import Rig
from longsoak.vocabulary.sample import Sample

SCANS = 700
PIN = "pins 7"


class Span(TypedDict):
    """From when to when, UTC ms."""

    since_ms: int
    until_ms: int


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path64]:
    """A record whose older half is sealed."""
    wood = Wood()
    with path64(tmp_path_factory.mktemp("kept")) as path:
        for number in range(SCANS):
            path.put(wood.samples(number * EVERY_MS))
            if number % 50 == 49:
                path.recorder.turn()
        sealing = path.writer.sealing(SealingPlan(tail=200, lengths=(250,), enough=10))
        while sealing.bite():
            pass
        yield path


@pytest.fixture(autouse=True)
def as_kept(kept: Path64) -> Iterator[None]:
    """Each test begins with the values as they were kept."""
    take_away(kept.folder)
    yield
    take_away(kept.folder)


def derive(kept: Path64, rig: Rig) -> tuple[Derivation, int, int]:
    told: list[int] = []
    found = Rederiving(kept.folder).derive(
        rig,
        rig_version=1,
        made_utc_ms=START_MS,
        software="0",
        progress=lambda done, total: told.append(done),
    )
    assert told == sorted(told)
    assert told[-1] == SCANS
    return found


def shifted(rig: Rig) -> Rig:
    """The rig with another curve: every row of its table one percent of moisture higher."""
    name = "Douglas-fir (coast)"
    curve = rig.curves[name]
    points = tuple((content + 1.0, ohm) for content, ohm in curve.points)
    better = replace(curve, points=points, lowest=curve.lowest + 1, highest=curve.highest + 1)
    return replace(rig, curves={**rig.curves, name: better})


def everything(record: Record) -> list[object]:
    """What each way of reading shows of one pair of pins and one thermometer."""
    span: Span = {"since_ms": START_MS + 5 * EVERY_MS + 1, "until_ms": START_MS + 690 * EVERY_MS}
    found: list[object] = [record.latest((PIN, "T 1")), record.last_values((PIN,), **span)]
    for probe in (PIN, "T 1"):
        found.append(record.series(probe, **span))
        found.append(record.reduced((probe,), **span, buckets=7))
        columns = record.columns((probe,), **span)[probe]
        found.append([getattr(columns, name).tolist() for name in columns.__slots__])
    return found


def test_under_the_same_rig_every_value_comes_out_to_the_last_bit(kept: Path64) -> None:
    derive(kept, shifted(rig()))
    derivation, seen, otherwise = derive(kept, rig())
    assert Record(kept.folder).derivation() is None
    assert (seen, otherwise, derivation.probes) == (SCANS * 64, 0, frozenset())


def test_a_better_curve_is_shown_everywhere_and_the_old_values_stay(kept: Path64) -> None:
    record = Record(kept.folder)
    before = everything(record)
    derivation, _, otherwise = derive(kept, shifted(rig()))
    assert otherwise == SCANS * 60
    assert derivation.probes == {f"pins {n}" for n in range(60)}
    assert record.derivation() == derivation
    after = everything(record)
    assert everything(Record(kept.folder)) == after
    assert everything(Record(kept.folder, as_kept=True)) == before
    span = {"since_ms": 0, "until_ms": 2**50}
    old = Record(kept.folder, as_kept=True).series(PIN, **span)
    new = record.series(PIN, **span)
    for a, b in zip(old, new, strict=True):
        assert (a.utc_ms, a.raw, a.raw_unit) == (b.utc_ms, b.raw, b.raw_unit)
        assert a.value is not None
        assert b.value is not None
        assert 0.5 < b.value - a.value < 1.5
    # What nothing was changed of is not touched; and whoever copies scans gets what was kept.
    assert record.series("T 1", **span) == Record(kept.folder, as_kept=True).series("T 1", **span)
    assert repr(record.scans_after(0, limit=999)) == repr(
        Record(kept.folder, as_kept=True).scans_after(0, limit=999)
    )
    take_away(kept.folder)
    assert everything(record) == before


def test_what_is_shown_is_what_the_same_samples_convert_to_under_that_rig(
    kept: Path64, tmp_path: Path
) -> None:
    better = shifted(rig())
    derive(kept, better)
    found = Record(kept.folder).columns((PIN,), since_ms=0, until_ms=2**50)[PIN]
    wood = Wood()
    with path64(tmp_path / "under the better one", of=better) as path:
        for number in range(SCANS):
            path.put(wood.samples(number * EVERY_MS))
        for _ in range(4):
            path.recorder.turn()
    live = Record(tmp_path / "under the better one").series(PIN, since_ms=0, until_ms=2**50)
    values = [reading.value for reading in live]
    assert array("f", found.values.tolist()) == array("f", [v or 0.0 for v in values])


def test_hours_that_were_added_up_follow_what_is_shown(kept: Path64) -> None:
    kept.catch_up()
    span = {"since_ms": START_MS, "until_ms": START_MS + 12 * 3_600_000}
    record = Record(kept.folder)
    (before,) = record.reduced((PIN,), **span, buckets=6).values()
    derive(kept, shifted(rig()))
    (at_once,) = record.reduced((PIN,), **span, buckets=6).values()
    kept.catch_up()
    (added_up,) = record.reduced((PIN,), **span, buckets=6).values()
    for old, new, later in zip(before, at_once, added_up, strict=True):
        assert old.mean is not None
        assert new.mean is not None
        assert later.mean == pytest.approx(new.mean, rel=1e-9)
        assert 0.5 < new.mean - old.mean < 1.5


def test_one_that_is_given_up_changes_nothing(kept: Path64) -> None:
    before = everything(Record(kept.folder))
    with pytest.raises(KeyboardInterrupt):
        Rederiving(kept.folder).derive(
            shifted(rig()),
            rig_version=1,
            made_utc_ms=START_MS,
            software="0",
            progress=_interrupt,
        )
    assert everything(Record(kept.folder)) == before
    assert [path.name for path in kept.folder.iterdir() if DERIVED in path.name] == []


def _interrupt(_done: int, _total: int) -> None:
    raise KeyboardInterrupt


def test_that_of_another_record_is_not_shown(kept: Path64, tmp_path: Path) -> None:
    derive(kept, shifted(rig()))
    with path64(tmp_path / "third", boot="another") as third:
        third.put(Wood().samples(0))
        third.recorder.turn()
        (tmp_path / "third" / DERIVED).write_bytes((kept.folder / DERIVED).read_bytes())
    assert Record(tmp_path / "third").derivation() is None
    assert Record(tmp_path / "third").latest((PIN,))[PIN].value is not None


def test_a_file_that_is_damaged_shows_what_was_kept(kept: Path64) -> None:
    before = everything(Record(kept.folder))
    derive(kept, shifted(rig()))
    (kept.folder / DERIVED).write_bytes(b"no database" * 500)
    assert everything(Record(kept.folder)) == before


@pytest.fixture
def dry_once(tmp_path: Path) -> Iterator[Path64]:
    """A record of which the middle one of three sealed runs has readings of 1 GOhm, of `PIN`."""
    wood = Wood()
    with path64(tmp_path) as path:
        for number in range(150):
            path.put(
                [
                    sample
                    if sample.unit != "Ohm"
                    else replace(sample, value=1e9 if is_dry(sample.probe, number) else 1e7)
                    for sample in wood.samples(number * EVERY_MS)
                ]
            )
        path.recorder.turn()
        sealing = path.writer.sealing(SealingPlan(tail=20, lengths=(40,), enough=10))
        while sealing.bite():
            pass
        yield path


def is_dry(probe: str, number: int) -> bool:
    return probe == PIN and 50 <= number < 55


def short_of_reach() -> Rig:
    """The rig with a meter that measures no more than 500 MOhm."""
    whole = rig()
    return replace(whole, buses=tuple(replace(bus, most=5e8) for bus in whole.buses))


def convert_again(folder: Path, better: Rig, *, rig_version: int = 1) -> Derivation:
    return Rederiving(folder).derive(
        better,
        rig_version=rig_version,
        made_utc_ms=START_MS,
        software="0",
        progress=lambda done, total: None,
    )[0]


def test_what_came_out_otherwise_for_an_hour_only_leaves_the_rest_as_it_was(
    dry_once: Path64,
) -> None:
    everywhere: Span = {"since_ms": 0, "until_ms": 2**50}
    before = Record(dry_once.folder).series(PIN, **everywhere)
    old = Record(dry_once.folder).columns((PIN,), **everywhere)[PIN]
    derivation = convert_again(dry_once.folder, short_of_reach())
    assert derivation.probes == {PIN}
    record = Record(dry_once.folder)
    after = record.series(PIN, **everywhere)
    assert [n for n in range(150) if before[n] != after[n]] == list(range(50, 55))
    new = record.columns((PIN,), **everywhere)[PIN]
    assert [n for n in range(150) if old.flags[n] != new.flags[n]] == list(range(50, 55))
    assert new.values.tolist() == [reading.value for reading in after]
    assert record.latest((PIN,))[PIN] == before[-1]
    assert record.last_values((PIN,), **everywhere) == {PIN: before[-1].utc_ms}
    for scans in ((10, 30), (45, 52), (52, 145), (130, 150)):
        since, until = (START_MS + n * EVERY_MS for n in scans)
        cut = record.columns((PIN,), since_ms=since, until_ms=until)[PIN]
        readings = record.series(PIN, since_ms=since, until_ms=until)
        assert cut.values.tolist() == [reading.value for reading in readings]
        assert readings == [r for r in after if since <= r.utc_ms < until]


def test_a_copy_of_the_record_from_before_shows_nothing_of_what_was_derived_since(
    dry_once: Path64, tmp_path: Path
) -> None:
    older = tmp_path / "older"
    older.mkdir()
    with (
        closing(connect_read_only(dry_once.folder / RECORD)) as source,
        closing(sqlite3.connect(older / RECORD)) as copy,
    ):
        source.backup(copy)
    for _ in range(5):
        dry_once.put([Sample(f"pins {n}", 1e9, "Ohm") for n in range(60)])
    dry_once.recorder.turn()
    convert_again(dry_once.folder, short_of_reach())
    shutil.copy(dry_once.folder / DERIVED, older)
    assert Record(older).derivation() is None
    before = Record(older).series(PIN, since_ms=0, until_ms=2**50)
    assert before == Record(older, as_kept=True).series(PIN, since_ms=0, until_ms=2**50)
    # Nor once as many scans have come again, which are others.
    writer = RecordWriter(older, now="2026-05-04T19:00:00.000Z")
    writer.accept_rig("", utc_ms=START_MS)
    boot_ms, at_ms = 5, START_MS + 400 * EVERY_MS
    writer.begin_run(
        boot="later", software="0", utc_ms=at_ms, boottime_ms=boot_ms, synchronised=True
    )
    for n in range(10):
        one = Scan(
            "wood",
            at_ms + 10 + n,
            boot_ms + 10 + n,
            True,
            (PIN,),
            ("Ohm",),
            (1e7,),
            (12.5,),
            (0.5,),
            (Flag.PASS,),
            (Reason.NONE,),
        )
        writer.commit(Batch(scans=[one]))
    writer.close()
    assert Record(older).derivation() is None
    latest = Record(older).series(PIN, since_ms=at_ms, until_ms=2**50)
    assert [reading.value for reading in latest] == [12.5] * 10


def test_two_at_once_do_not_write_into_one_file(dry_once: Path64) -> None:
    told: list[str] = []

    def meanwhile(_done: int, _total: int) -> None:
        if not told:
            with pytest.raises(StoreError) as refused:
                convert_again(dry_once.folder, rig(), rig_version=2)
            told.append(str(refused.value))

    derivation, _, _ = Rederiving(dry_once.folder).derive(
        short_of_reach(), rig_version=1, made_utc_ms=START_MS, software="0", progress=meanwhile
    )
    assert "values are being converted again already" in told[0]
    assert Record(dry_once.folder).derivation() == derivation


def test_a_file_that_is_damaged_within_is_told_for_what_it_is(dry_once: Path64) -> None:
    convert_again(dry_once.folder, short_of_reach())
    with closing(sqlite3.connect(dry_once.folder / DERIVED)) as db, db:
        db.execute("UPDATE derived SET readings = zeroblob(length(readings))")
    with pytest.raises(StoreError, match=r"derived\.db, .*can't be read.*longsoak reconvert"):
        Record(dry_once.folder).series(PIN, since_ms=0, until_ms=2**50)
    with pytest.raises(StoreError, match=r"derived\.db"):
        Record(dry_once.folder).columns((PIN,), since_ms=0, until_ms=2**50)
    assert Record(dry_once.folder).series("T 1", since_ms=0, until_ms=2**50)
    with pytest.raises(StoreError, match=r"derived\.db") as wrong:
        dry_once.catch_up()
    assert not damaged(wrong.value)  # which would have the record itself looked over
    with closing(sqlite3.connect(dry_once.folder / DERIVED)) as db, db:
        db.execute("DELETE FROM derivation")
    assert Record(dry_once.folder).derivation() is None
