"""A chore that is passed over because nothing can be due would have found nothing."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from math import nan
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from longsoak.service.dayclosing import SCANS_AN_ENTRY, DayClosing
from longsoak.store.ledger import Ledger
from longsoak.store.lull import Lull
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan

START_MS = 1_777_885_200_000  # 4 May 2026, 9 h
HOUR_MS = 3_600_000


@dataclass
class Clocks:
    """A machine's clocks, set at will."""

    boottime_ms: int = 0
    base_ms: int = START_MS
    synchronised: bool = True

    def scan(self, after_ms: int) -> Scan:
        self.boottime_ms += after_ms
        return Scan(
            "meter",
            self.base_ms + self.boottime_ms,
            self.boottime_ms,
            self.synchronised,
            ("pin",),
            ("Ohm",),
            (nan,),
            (nan,),
            (nan,),
            (Flag.MISSING,),
            (Reason.NO_ANSWER,),
        )


@contextmanager
def opened(folder: Path, clocks: Clocks) -> Iterator[RecordWriter]:
    writer = RecordWriter(folder, now="2026-05-04T09:00:00Z")
    try:
        writer.accept_rig("", utc_ms=START_MS)
        writer.begin_run(
            boot="boot",
            software="0",
            utc_ms=START_MS,
            boottime_ms=0,
            synchronised=clocks.synchronised,
        )
        yield writer
    finally:
        writer.close()


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[RecordWriter]:
    with opened(tmp_path, Clocks()) as writer:
        yield writer


def begun(writer: RecordWriter, clocks: Clocks) -> Lull:
    """A lull of hours that ends with scan 5, begun with scan 1."""
    writer.commit(Batch(scans=[clocks.scan(60_000)]))
    lull = writer.lull()
    assert not lull.lasts()
    lull.begin(before=5, width_ms=HOUR_MS)
    return lull


def test_it_lasts_until_the_scan_it_was_begun_for(writer: RecordWriter) -> None:
    clocks = Clocks()
    lull, lasted = begun(writer, clocks), []
    for _ in range(4):
        lasted.append(lull.lasts())
        writer.commit(Batch(scans=[clocks.scan(60_000)]))
    assert (lasted, lull.lasts()) == ([True] * 4, False)


def test_it_ends_with_its_interval(writer: RecordWriter) -> None:
    clocks = Clocks()
    lull = begun(writer, clocks)
    writer.commit(Batch(scans=[clocks.scan(58 * 60_000)]))
    assert lull.lasts()
    writer.commit(Batch(scans=[clocks.scan(60_000)]))
    assert not lull.lasts()


def test_it_ends_where_scans_were_moved_to_another_time(writer: RecordWriter) -> None:
    clocks = Clocks(synchronised=False)
    lull = begun(writer, clocks)
    clocks.synchronised = True
    writer.commit(Batch(scans=[clocks.scan(60_000)]))
    assert not lull.lasts()


def test_it_ends_when_it_is_told_to_and_in_another_record(writer: RecordWriter) -> None:
    clocks = Clocks()
    lull = begun(writer, clocks)
    writer.start_afresh("a page", utc_ms=START_MS, boottime_ms=60_000, synchronised=True)
    writer.commit(Batch(scans=[clocks.scan(60_000)]))
    assert not lull.lasts()
    lull.begin(before=5, width_ms=HOUR_MS)
    assert lull.lasts()
    lull.end()
    assert not lull.lasts()


def test_nothing_is_begun_where_there_is_no_scan(writer: RecordWriter) -> None:
    lull = writer.lull()
    lull.begin(before=5, width_ms=HOUR_MS)
    assert not lull.lasts()


steps = st.tuples(
    st.sampled_from([1, 2, SCANS_AN_ENTRY // 2]),  # scans
    st.sampled_from([1, 600, 6 * HOUR_MS, 20 * HOUR_MS]),  # ms from each to the next
    st.sampled_from([True, True, True, False]),  # whether the clock is synchronised
    st.sampled_from([0, 0, 0, 30 * HOUR_MS, -30 * HOUR_MS]),  # by which it is set, ms
)


@settings(max_examples=40, deadline=None)
@given(st.lists(steps, min_size=1, max_size=7), st.booleans())
def test_whoever_looked_would_have_closed_no_day_and_entered_nothing(
    todo: list[tuple[int, int, bool, int]], synchronised: bool
) -> None:
    clocks = Clocks(synchronised=synchronised)
    with tempfile.TemporaryDirectory() as kept, opened(Path(kept), clocks) as writer:
        days = DayClosing(Path(kept), writer)
        for scans, after_ms, known, step_ms in todo:
            clocks.synchronised = known
            clocks.base_ms += step_ms
            n = min(scans, 4) if after_ms > HOUR_MS else scans
            writer.commit(Batch(scans=[clocks.scan(after_ms) for _ in range(n)]))
            close(days, clocks)
            heads = Ledger(Path(kept)).heads()
            entries = len(Ledger(Path(kept)).entries_after(0, limit=10**6))
            close(DayClosing(Path(kept), writer), clocks)
            assert Ledger(Path(kept)).heads() == heads
            assert len(Ledger(Path(kept)).entries_after(0, limit=10**6)) == entries


def close(days: DayClosing, clocks: Clocks) -> None:
    now = clocks.boottime_ms / 1000
    while days.do(now=now, utc_ms=clocks.base_ms + clocks.boottime_ms)[0] == 0:
        pass


def test_an_entry_is_made_as_soon_as_there_are_scans_enough_for_one(writer: RecordWriter) -> None:
    clocks, ledger = Clocks(), Ledger(writer.folder)
    days = DayClosing(writer.folder, writer)
    writer.commit(Batch(scans=[clocks.scan(1) for _ in range(SCANS_AN_ENTRY - 1)]))
    close(days, clocks)
    close(days, clocks)
    assert ledger.entries_after(0, limit=1) == []
    writer.commit(Batch(scans=[clocks.scan(1)]))
    close(days, clocks)
    assert len(ledger.entries_after(0, limit=9)) == 1
