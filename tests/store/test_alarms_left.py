"""How alarms were left is read from the record: states, shelves and what people were last told."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmChange, AlarmLeft, AlarmState, Hiding

NORMAL, NEW, GONE = AlarmState.NORMAL, AlarmState.NEW, AlarmState.GONE
ACKNOWLEDGED, HELD = AlarmState.ACKNOWLEDGED, AlarmState.HELD
T0 = 1_900_000_000_000
HOUR = 3_600_000


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[RecordWriter]:
    writer = RecordWriter(tmp_path, now="2031-02-03T04:05:06Z")
    writer.accept_rig("rig", utc_ms=T0)
    begin(writer, "one")
    yield writer
    writer.close()


def begin(writer: RecordWriter, boot: str) -> None:
    writer.begin_run(boot=boot, software="0", utc_ms=T0, boottime_ms=0, synchronised=True)


def keep(writer: RecordWriter, *changes: AlarmChange) -> None:
    writer.commit(Batch(changes=list(changes)))


def change(old: AlarmState, new: AlarmState, at_ms: int, news: bool | None) -> AlarmChange:
    return AlarmChange("dry", T0 + at_ms, at_ms, old, new, None, "", None, news=news)


def shelved(at_ms: int, seconds: float) -> AlarmChange:
    until = T0 + at_ms + round(seconds * 1000)
    return AlarmChange(
        *("dry", T0 + at_ms, at_ms, NEW, NEW, None, "", "mk"),
        hiding=Hiding.SHELVED,
        until_utc_ms=until,
        seconds=seconds,
        news=False,
    )


def left(writer: RecordWriter, *, boottime_ms: int, utc_ms: int) -> AlarmLeft:
    return writer.alarms_left(boottime_ms=boottime_ms, utc_ms=utc_ms)["dry"]


def test_within_a_boot_everything_goes_on_where_it_was(writer: RecordWriter) -> None:
    keep(writer, change(NORMAL, NEW, 1000, news=True), shelved(2000, 3600))
    found = left(writer, boottime_ms=9000, utc_ms=T0 + 10 * HOUR)  # whatever the wall clock says
    assert found == AlarmLeft(NEW, Hiding.SHELVED, told=True, told_at=1.0, ends=3602.0)


@pytest.mark.parametrize(
    ("utc_ms", "remains"),
    [
        (T0 + 1_802_000, 1800),  # half of it was spent switched off
        (T0 + 10 * HOUR, 0),
        (0, 3600),  # a clock that knows nothing: as long as it was to be, and no longer
        (T0 - 10**12, 3600),
    ],
)
def test_in_another_boot_the_wall_clock_tells_what_is_left_of_a_shelving(
    writer: RecordWriter, utc_ms: int, remains: float
) -> None:
    keep(writer, change(NORMAL, NEW, 1000, news=True), shelved(2000, 3600))
    writer.end_run(utc_ms=T0)
    begin(writer, "two")
    found = left(writer, boottime_ms=5000, utc_ms=utc_ms)
    assert found == AlarmLeft(NEW, Hiding.SHELVED, told=True, told_at=None, ends=5.0 + remains)


def test_what_people_were_told_is_the_last_change_that_was_news(writer: RecordWriter) -> None:
    keep(
        writer,
        change(NORMAL, NEW, 1000, news=True),
        change(NEW, GONE, 2000, news=False),  # it chattered
        change(GONE, NEW, 3000, news=False),
    )
    assert left(writer, boottime_ms=4000, utc_ms=T0).told
    keep(writer, change(NEW, GONE, 5000, news=True))
    assert left(writer, boottime_ms=6000, utc_ms=T0) == AlarmLeft(GONE, told=False, told_at=5.0)


# A version that did not say told of everything that came or was over, and of no acknowledgement.
@pytest.mark.parametrize(
    ("steps", "told"),
    [
        ([(NORMAL, NEW)], True),
        ([(NORMAL, NEW), (NEW, ACKNOWLEDGED)], True),
        ([(NORMAL, NEW), (NEW, GONE)], False),
        ([(NORMAL, NEW), (NEW, GONE), (GONE, NORMAL)], False),
        ([(NORMAL, NEW), (NEW, ACKNOWLEDGED), (ACKNOWLEDGED, NORMAL)], False),
    ],
)
def test_what_an_earlier_version_told_follows_from_its_changes(
    writer: RecordWriter, steps: list[tuple[AlarmState, AlarmState]], told: bool
) -> None:
    changes = [change(old, new, n, news=None) for n, (old, new) in enumerate(steps)]
    keep(writer, *changes)
    assert left(writer, boottime_ms=9, utc_ms=T0).told is told
    by_change = [c.new.standing for c in changes if c.told]
    assert by_change[-1] is told
