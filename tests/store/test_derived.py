"""Values are derived again from raw, shown in place of those kept, and these stay."""

from array import array
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from bench.kept64 import EVERY_MS, START_MS, Path64, Wood, path64, rig
from longsoak.store.derived import DERIVED, Derivation, take_away
from longsoak.store.reader import Record
from longsoak.store.rederiving import Rederiving
from longsoak.store.sealing import SealingPlan
from longsoak.vocabulary.rig import Rig

SCANS = 700
PIN = "pins 7"


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
    span = {"since_ms": START_MS + 5 * EVERY_MS + 1, "until_ms": START_MS + 690 * EVERY_MS}
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
