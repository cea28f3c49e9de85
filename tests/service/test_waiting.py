"""What waits for a disk that takes nothing: kept in bounds, in order, and told of."""

import tracemalloc
from collections.abc import Iterator
from contextlib import closing
from itertools import pairwise
from math import nan
from pathlib import Path

import pytest

from disks import fill, small_disk
from longsoak.service.clock import SystemClock
from longsoak.service.waiting import RETRY, Waiting
from longsoak.store.reader import Record
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.reading import Scan

T0 = 1_777_885_200_000
LOOKS, PINS = ("level",), tuple(f"C {n}" for n in range(64))


class HandClock(SystemClock):
    """The real clocks, but for a monotonic one that goes on by hand."""

    at = 0.0

    def monotonic(self) -> float:
        return self.at


def scan(n: int, probes: tuple[str, ...] = PINS) -> Scan:
    """One scan, its values telling which; the last probe has none."""
    values = [float(n + i / 100) for i in range(len(probes))]
    flags = [Flag.PASS] * len(probes)
    if len(probes) > 1:
        values[-1], flags[-1] = nan, Flag.MISSING
    return Scan(
        "meter" if probes is PINS else "tray",
        T0 + 10_000 * n,
        10_000 * n,
        True,
        probes,
        ("Ohm",) * len(probes),
        tuple(10 * value for value in values),
        tuple(values),
        tuple(value / 100 for value in values),
        tuple(flags),
        tuple(Reason.NONE if flag is Flag.PASS else Reason.NO_ANSWER for flag in flags),
    )


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    with small_disk(tmp_path / "card", megabytes=2) as folder:
        yield folder


def opened(folder: Path) -> RecordWriter:
    writer = RecordWriter(folder, now="2026-05-04T09:00:00Z")
    writer.accept_rig("# rig", utc_ms=T0)
    writer.begin_run(boot="boot", software="0", utc_ms=T0, boottime_ms=0, synchronised=True)
    return writer


def kept_ms(folder: Path) -> list[int]:
    """The times of all scans in the record, s after the start."""
    scans = Record(folder).scans_after(0, limit=10**6)
    return [(one.utc_ms - T0) // 1000 for one in scans]


def test_what_a_full_disk_refused_is_kept_bit_for_bit_and_in_order_once_it_takes_it(
    disk: Path,
) -> None:
    folder, clock = disk / "record", HandClock()
    with closing(opened(folder)) as writer:
        waiting = Waiting(writer, clock=clock)
        assert waiting.keep(Batch(scans=[scan(0)]))
        ballast = fill(disk)
        for n in range(1, 40):
            clock.at += 2 * RETRY
            assert not waiting.keep(Batch(scans=[scan(n)]))
        assert waiting.refusal is not None
        assert "full" in str(waiting.refusal)
        assert waiting.scans == 39
        ballast.unlink()
        clock.at += 2 * RETRY
        while waiting:
            assert waiting.keep(Batch())
        readings = Record(folder).scans_after(0, limit=99)
        (event,) = Record(folder).events(limit=9)
    assert kept_ms(folder) == [10 * n for n in range(40)]
    assert [r.raw for r in readings[17].readings[:3]] == [170.0, pytest.approx(170.1), 170.2]
    assert readings[17].readings[5].raw == 10 * (17 + 5 / 100)
    assert readings[17].readings[-1].raw is None
    assert event.says == (
        "the disk took nothing for 78 s; what is kept of that time waited in memory: 39 scans"
    )


def test_a_disk_with_room_for_some_takes_the_oldest(disk: Path) -> None:
    folder, clock = disk / "record", HandClock()
    with closing(opened(folder)) as writer:
        waiting = Waiting(writer, clock=clock)
        ballast = fill(disk)
        for n in range(400):
            waiting.keep(Batch(scans=[scan(n)]))
        ballast.unlink()
        fill(disk, but=200_000)  # half a megabyte waits
        for _ in range(20):
            clock.at += 2 * RETRY
            waiting.keep(Batch())
        first = kept_ms(folder)
        assert 0 < len(first) < 400
        assert first == [10 * n for n in range(len(first))]
        assert waiting.scans == 400 - len(first)
        ballast.unlink()
        clock.at += 2 * RETRY
        while waiting:
            assert waiting.keep(Batch())
    assert kept_ms(folder) == [10 * n for n in range(400)]


def test_memory_has_a_bound_and_the_whole_time_stays_covered(disk: Path) -> None:
    """A day and a half of 64 probes every 10 s, into a thirtieth of what is allowed for."""
    folder, clock, most = disk / "record", HandClock(), 800_000
    with closing(opened(folder)) as writer:
        waiting = Waiting(writer, clock=clock, most=most)
        ballast = fill(disk)
        waiting.keep(Batch(scans=[scan(0)]))
        tracemalloc.start()
        for n in range(1, 3000):
            waiting.keep(Batch(scans=[scan(n)]))
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert peak < 1.2 * most
        given_up = waiting.given_up
        ballast.unlink()
        clock.at += 60
        while waiting:
            assert waiting.keep(Batch())
        events = Record(folder).events(limit=9)
    kept = kept_ms(folder)
    lost = 3000 - len(kept)
    assert 0 < lost < 3000
    assert kept == sorted(kept)
    assert kept[0] == 0
    assert kept[-1] == 29_990
    steps = [b - a for a, b in pairwise(kept)]
    # No hole anywhere: a budget for 550 of 3000 makes it every eighth, or a little more.
    assert max(steps) <= 160
    assert steps[-50:] == [10] * 50  # and nothing lost of the last minutes
    assert given_up is not None
    assert f"{lost:d} scans with {64 * lost:d} readings, of those measured from " in given_up
    assert [event.says for event in events if event.kind == "lost"] == [given_up]


def test_looks_at_watched_probes_are_given_up_before_anything_else(disk: Path) -> None:
    folder, clock = disk / "record", HandClock()
    with closing(opened(folder)) as writer:
        waiting = Waiting(writer, clock=clock, watched=LOOKS, most=60_000)
        ballast = fill(disk)
        for n in range(300):
            waiting.keep(Batch(scans=[scan(n, PINS if n % 20 == 0 else LOOKS)]))
        ballast.unlink()
        clock.at += 60
        while waiting:
            assert waiting.keep(Batch())
    probes = [len(one.readings) for one in Record(folder).scans_after(0, limit=999)]
    assert probes.count(64) == 15
    assert 0 < probes.count(1) < 285


def test_alarms_are_never_given_up_and_events_have_a_bound(disk: Path) -> None:
    folder, clock = disk / "record", HandClock()
    with closing(opened(folder)) as writer:
        waiting = Waiting(writer, clock=clock)
        ballast = fill(disk)
        new, normal = AlarmState.NEW, AlarmState.NORMAL
        for n in range(5000):
            change = AlarmChange("a", T0 + n, n, normal, new, None, "", None)
            batch = Batch(changes=[change], events=[Event(T0 + n, "bus", "meter", "down")])
            waiting.keep(batch)
        assert waiting.given_up == "1000 events given up"
        ballast.unlink()
        clock.at += 60
        while waiting:
            assert waiting.keep(Batch())
    assert len(Record(folder).alarm_changes_after(0, limit=9999)) == 5000
