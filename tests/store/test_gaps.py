"""How long nothing was measured, whatever the clocks said meanwhile."""

from dataclasses import dataclass
from math import nan
from pathlib import Path

import pytest

from longsoak.store.reader import Record
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.happening import RunGap
from longsoak.vocabulary.reading import Scan

T0 = 1_900_000_000_000
MINUTE = 60_000
YEAR = 365 * 24 * 60 * MINUTE


@dataclass(frozen=True)
class At:
    """One moment as the machine saw it, ms."""

    utc: int
    boottime: int
    known: bool = True


def keep(writer: RecordWriter, at: At) -> None:
    values = (nan,)
    scan = Scan(
        *("bus", at.utc, at.boottime, at.known, ("p",), ("Ohm",)),
        *(values, values, values, (Flag.MISSING,), (Reason.NO_ANSWER,)),
    )
    writer.commit(Batch(scans=[scan]))


def begin(writer: RecordWriter, boot: str, at: At) -> RunGap | None:
    return writer.begin_run(
        boot=boot,
        software="0",
        utc_ms=at.utc,
        boottime_ms=at.boottime,
        synchronised=at.known,
    )


def two_runs(
    folder: Path, *, last: At, boot: str, start: At, then: tuple[At, ...] = ()
) -> tuple[RunGap | None, RunGap]:
    """The gap as told at the second start, and as the record has it in the end."""
    first = RecordWriter(folder, now="2031-02-03T04:05:06Z")
    first.accept_rig("rig", utc_ms=T0)
    assert begin(first, "boot 1", At(last.utc, last.boottime)) is None
    keep(first, last)
    first.close()
    second = RecordWriter(folder, now="2031-02-03T04:05:06Z")
    second.accept_rig("rig", utc_ms=T0)
    told = begin(second, boot, start)
    for at in then:
        keep(second, at)
    second.close()
    (kept,) = Record(folder).gaps()
    return told, kept


@pytest.mark.parametrize("step", [0, -YEAR, 10 * MINUTE])
@pytest.mark.parametrize("known", [True, False])
def test_within_one_boot_the_clock_on_the_wall_does_not_matter(
    tmp_path: Path, step: int, known: bool
) -> None:
    told, kept = two_runs(
        tmp_path,
        last=At(T0, 5000, known),
        boot="boot 1",
        start=At(T0 + 3 * MINUTE + step, 5000 + 3 * MINUTE, known),
    )
    assert told == kept
    assert kept.length_ms == 3 * MINUTE
    assert (kept.from_utc_ms, kept.to_utc_ms) == (T0, T0 + 3 * MINUTE + step)


def test_across_boots_two_synchronised_clocks_are_believed(tmp_path: Path) -> None:
    told, _ = two_runs(
        tmp_path, last=At(T0, 5000), boot="boot 2", start=At(T0 + 3 * MINUTE, 20_000)
    )
    assert told is not None
    assert told.length_ms == 3 * MINUTE


def test_a_board_without_a_clock_battery_settles_the_length_once_it_knows_the_time(
    tmp_path: Path,
) -> None:
    """It wakes at the time it went down, and finds out half a minute later that it was a day."""
    down, day = T0, 24 * 60 * MINUTE
    wakes = At(down + 1000, 20_000, known=False)
    told, kept = two_runs(
        tmp_path,
        last=At(down, 5000),
        boot="boot 2",
        start=wakes,
        then=(
            At(wakes.utc + 10_000, 30_000, known=False),
            At(down + day + 30_000, 50_000),
            At(down + day + 40_000, 60_000),
        ),
    )
    assert told is not None
    assert told.length_ms is None
    assert kept.length_ms == day
    events = [event.says for event in Record(tmp_path).events(limit=10) if event.kind == "gap"]
    assert events == ["the clock is synchronised now: 24 h 00 without readings"]


def test_a_gap_lies_where_its_scans_were_placed(tmp_path: Path) -> None:
    """Both boots began in 1970, and both found out."""
    writer = RecordWriter(tmp_path, now="2031-02-03T04:05:06Z")
    writer.accept_rig("rig", utc_ms=T0)
    begin(writer, "boot 1", At(9000, 9000, known=False))
    keep(writer, At(10_000, 10_000, known=False))
    keep(writer, At(T0 + 20_000, 20_000))
    keep(writer, At(T0 + 30_000, 30_000, known=False))  # lost again; the clock ran on
    begin(writer, "boot 2", At(9000, 9000, known=False))
    keep(writer, At(10_000, 10_000, known=False))
    (before,) = Record(tmp_path).gaps()
    keep(writer, At(T0 + YEAR + 20_000, 20_000))
    writer.close()
    (gap,) = Record(tmp_path).gaps()
    assert before.length_ms is None
    assert gap == RunGap(T0 + 30_000, T0 + YEAR + 9000, clean=False, length_ms=YEAR - 21_000)


def test_between_two_clocks_nobody_set_no_length_is_vouched_for(tmp_path: Path) -> None:
    told, kept = two_runs(
        tmp_path,
        last=At(T0, 5000, known=False),
        boot="boot 2",
        start=At(T0 + 1000, 20_000, known=False),
        then=(At(T0 + YEAR, 50_000),),
    )
    assert told is not None
    assert told.length_ms is kept.length_ms is None


@pytest.mark.parametrize("clean", [True, False])
def test_a_stop_on_purpose_is_told_from_a_power_cut(tmp_path: Path, clean: bool) -> None:
    first = RecordWriter(tmp_path, now="2031-02-03T04:05:06Z")
    first.accept_rig("rig", utc_ms=T0)
    begin(first, "boot 1", At(T0, 5000))
    keep(first, At(T0 + 1000, 6000))
    if clean:
        first.end_run(utc_ms=T0 + 2000)
    first.close()
    second = RecordWriter(tmp_path, now="2031-02-03T04:05:06Z")
    gap = begin(second, "boot 1", At(T0 + MINUTE, 65_000))
    second.close()
    assert gap == RunGap(T0 + 1000, T0 + MINUTE, clean=clean, length_ms=59_000)
