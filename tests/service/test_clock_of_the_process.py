"""The shipped `longsoak run`, whose clock is set under it."""

import sqlite3
from itertools import pairwise
from pathlib import Path

import pytest

from longsoak.store.files import RECORD, connect_read_only
from longsoak.store.reader import Record
from longsoak.store.scans import scan_rows
from longsoak.vocabulary.errors import StoreError
from processes import running
from service.setclock import SetClock, boottime_ms, true_base_ms
from waiting import wait_for
from whole.thermorig import lay_out

MINUTE = 60.0
YEAR = 365 * 86_400.0
NEAR_MS = 100  # of the true time: a clock that is read, and a pass that is stamped


def scans(folder: Path) -> int:
    try:
        return Record(folder / "record").version()[0]
    except StoreError:
        return 0


def more(folder: Path, count: int = 1) -> None:
    """Wait for some scans more. The first may have been under way."""
    wanted = scans(folder) + count + 1
    wait_for(lambda: scans(folder) >= wanted, what="scans")


def far_off(folder: Path, base_ms: float) -> list[float]:
    """How far each scan was recorded from the true time, ms; its CLOCK_BOOTTIME is the kernel's."""
    db = connect_read_only(folder / "record" / RECORD)
    try:
        db.execute("BEGIN")
        return [r.utc_ms - base_ms - r.boottime_ms for r in scan_rows(db, 1, 2**62)]
    finally:
        db.close()


def in_place(folder: Path, base_ms: float) -> None:
    """Assert that every scan lies where the true clock says, in the order taken."""
    db = connect_read_only(folder / "record" / RECORD)
    try:
        db.execute("BEGIN")
        true = [base_ms + row.boottime_ms for row in scan_rows(db, 1, 2**62)]
    finally:
        db.close()
    readings = Record(folder / "record").series("T0", since_ms=-(2**60), until_ms=2**60)
    assert len(readings) == len(true)
    assert all(before.utc_ms < after.utc_ms for before, after in pairwise(readings))
    assert max(abs(r.utc_ms - at) for r, at in zip(readings, true, strict=True)) < NEAR_MS


def clock_events(folder: Path) -> list[str]:
    events = Record(folder / "record").events(limit=100)
    return [event.says for event in reversed(events) if event.kind == "clock"]


def test_a_process_that_wakes_in_1970_places_its_scans_once_the_clock_is_known(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig_file = lay_out(tmp_path / "rig", probes=1)
    base = true_base_ms()
    clock = SetClock(tmp_path / "clock", monkeypatch)
    clock.set(-base / 1000)
    with running(rig_file) as run:
        more(rig_file.parent)
        run.kill()
    with running(rig_file) as run:
        more(rig_file.parent)
        early = scans(rig_file.parent)
        assert max(far_off(rig_file.parent, base)) < -10 * YEAR * 1000
        clock.set(0.0)
        clock.synchronised(True)
        more(rig_file.parent)
        assert run.stop() == 0
    in_place(rig_file.parent, base)
    assert min(far_off(rig_file.parent, base)[:early]) < -10 * YEAR * 1000  # as recorded, for ever
    says = clock_events(rig_file.parent)[-1]
    assert says.startswith("the clock is synchronised now: ")
    assert says.endswith(" days later")
    (gap,) = Record(rig_file.parent / "record").gaps()
    assert gap.length_ms is not None
    assert abs(gap.to_utc_ms - gap.from_utc_ms - gap.length_ms) < NEAR_MS
    assert gap.from_utc_ms > base


def test_a_process_whose_clock_is_set_by_minutes_and_years_measures_on_and_keeps_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig_file = lay_out(tmp_path / "rig", probes=1)
    base = true_base_ms()
    clock = SetClock(tmp_path / "clock", monkeypatch)
    clock.synchronised(True)
    steps = (-15 * MINUTE, 15 * MINUTE, YEAR, -YEAR)
    with running(rig_file) as run:
        more(rig_file.parent)
        for step in steps:
            clock.synchronised(False)  # as settimeofday(2) does
            clock.set(step)
            more(rig_file.parent)
            clock.set(0.0)
            clock.synchronised(True)
            more(rig_file.parent)
        assert run.stop() == 0
    off = far_off(rig_file.parent, base)
    assert {round(far / 1000 / MINUTE) for far in off} == {round(s / MINUTE) for s in (0, *steps)}
    in_place(rig_file.parent, base)
    assert len(clock_events(rig_file.parent)) == 2 * len(steps)
    readings = Record(rig_file.parent / "record").series("T0", since_ms=0, until_ms=2**60)
    assert max(b.utc_ms - a.utc_ms for a, b in pairwise(readings)) < 1500  # polled every 200 ms


def test_the_end_of_summer_time_leaves_no_trace_in_a_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In Toronto the night of 1 November 2026 has an hour from 01:00 twice, parted by 06:00 UTC."""
    change_ms = 1_793_512_800_000  # 2026-11-01T06:00:00Z
    monkeypatch.setenv("TZ", "America/Toronto")
    clock = SetClock(tmp_path / "clock", monkeypatch)
    clock.synchronised(True)
    first_ms, lead_ms = change_ms, 1250
    while first_ms >= change_ms:  # a busy machine takes its time to the first scan
        lead_ms *= 2
        folder = tmp_path / f"{lead_ms}"
        rig_file = lay_out(folder, probes=1)
        base = true_base_ms()
        ahead = change_ms - lead_ms - (base + boottime_ms())
        clock.set(ahead / 1000)
        with running(rig_file) as run:
            wait_for(lambda: scans(folder), what="a scan")  # noqa: B023 - called at once
            first_ms = Record(folder / "record").first_utc_ms() or 0
            if first_ms < change_ms:
                wait_for(lambda: reached(folder, change_ms), what="the change")  # noqa: B023
            assert run.stop() == 0
    in_place(folder, base + ahead)
    assert clock_events(folder) == []
    with sqlite3.connect(folder / "record" / RECORD) as db:
        assert db.execute("SELECT count(*) FROM stretch").fetchone() == (1,)
    db.close()


def reached(folder: Path, utc_ms: int) -> bool:
    return (Record(folder / "record").last_utc_ms() or 0) > utc_ms
