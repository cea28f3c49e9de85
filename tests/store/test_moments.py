"""Alarm changes and events are shown where the scans of their boot were placed."""

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from math import nan
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from longsoak.store.aside import remains
from longsoak.store.backuptimes import BACKUP, MADE, BackupTimes
from longsoak.store.crowding import LEEWAY_MS
from longsoak.store.migrations import ALL, migrate
from longsoak.store.reader import Record
from longsoak.store.sealing import SealingPlan
from longsoak.store.unkept import AlarmsOnTheirWay, Unkept
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.reading import Scan

T0 = 1_900_000_000_000
SECOND = 1000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR
YEAR = 365 * DAY
NORMAL, NEW = AlarmState.NORMAL, AlarmState.NEW
FAST = SealingPlan(tail=1, lengths=(4,), enough=1)
KEPT = Path(__file__).parent / "kept"


@dataclass
class Rig:
    """A record whose scans are numbered, each a minute after the one before."""

    folder: Path
    base: int = 0  # UTC of CLOCK_BOOTTIME zero, by the machine's clock
    at: int = 10 * SECOND  # CLOCK_BOOTTIME
    known: bool = False
    boots: int = 0
    changes: int = 0
    writer: RecordWriter | None = None

    def boot(self, *, base: int, known: bool = False) -> None:
        self.boots += 1
        self.base, self.known, self.at = base, known, 10 * SECOND
        self.restart()

    def restart(self) -> None:
        self.end()
        self.writer = RecordWriter(self.folder, now="2031-02-03T04:05:06Z")
        self.writer.accept_rig("rig", utc_ms=T0)
        self.at += SECOND
        self.writer.begin_run(
            boot=f"boot {self.boots}",
            software="0",
            utc_ms=self.base + self.at,
            boottime_ms=self.at,
            synchronised=self.known,
        )

    def end(self) -> None:
        if self.writer is not None:
            self.writer.close()
            self.writer = None

    def scan(self, count: int = 1, *, told: bool = False) -> None:
        """Scans, each with a change and an event of the same moment if they are `told`."""
        for _ in range(count):
            self.at += MINUTE
            scan = Scan("bus", self.base + self.at, self.at, self.known, ("probe",), ("Ohm",),
                        (1.0,), (nan,), (nan,), (Flag.PASS,), (Reason.NONE,))  # fmt: skip
            changes, events = ([self.change()], [self.event()]) if told else ([], [])
            self.commit(Batch(scans=[scan], changes=changes, events=events))

    def tell(self) -> None:
        """A change and an event a second later, with no scan of their own."""
        self.at += SECOND
        self.commit(Batch(changes=[self.change()], events=[self.event()]))

    def change(self) -> AlarmChange:
        self.changes += 1
        says = f"change {self.changes}"
        return AlarmChange("dry", self.base + self.at, self.at, NORMAL, NEW, None, says, None)

    def event(self, kind: str = "bus", subject: str = "bus") -> Event:
        return Event(self.base + self.at, kind, subject, "open", self.at)

    def commit(self, batch: Batch) -> None:
        assert self.writer is not None
        self.writer.commit(batch)

    def shown(self) -> list[int]:
        """When changes were; events of the same moments must be shown at the same times."""
        record = Record(self.folder)
        changes = record.alarm_changes_after(0, limit=999)
        events = [event for event in record.events(limit=999)[::-1] if event.kind == "bus"]
        assert [event.utc_ms for event in events] == [change.utc_ms for change in changes]
        assert record.alarms()["dry"] == changes[-1]
        return [change.utc_ms for change in changes]

    def unsure(self) -> list[bool]:
        return [c.unsure for c in Record(self.folder).alarm_changes_after(0, limit=999)]

    def written(self) -> list[tuple[object, ...]]:
        with closing(sqlite3.connect(self.folder / "record.db")) as db:
            return [
                *db.execute("SELECT * FROM alarm_change ORDER BY id").fetchall(),
                *db.execute("SELECT * FROM event WHERE kind = 'bus' ORDER BY id").fetchall(),
            ]


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    rig = Rig(tmp_path)
    yield rig
    rig.end()


def test_an_alarm_of_a_boot_in_1970_is_shown_where_it_was_once_the_clock_is_known(rig: Rig) -> None:
    rig.boot(base=0)
    rig.scan(told=True)
    rig.tell()
    before = rig.at
    assert rig.shown() == [before - SECOND, before]
    assert rig.unsure() == [True, True]
    written = rig.written()
    rig.base, rig.known = T0, True
    rig.scan(2, told=True)
    assert rig.shown() == [T0 + before - SECOND, T0 + before, T0 + rig.at - MINUTE, T0 + rig.at]
    assert rig.unsure() == [False] * 4
    assert set(written) <= set(rig.written())


def test_a_restart_before_the_clock_was_known_and_one_after_it_change_nothing(rig: Rig) -> None:
    rig.boot(base=0)
    rig.scan(told=True)
    rig.restart()
    rig.tell()  # before the first scan of its run
    told = [rig.at - SECOND - SECOND, rig.at]
    rig.scan()
    rig.base, rig.known = T0, True
    rig.scan()
    rig.restart()
    assert rig.shown() == [T0 + at for at in told]


def test_what_happened_before_the_first_scan_of_all_lies_before_it(rig: Rig) -> None:
    rig.boot(base=0)
    rig.tell()
    assert rig.unsure() == [True]
    at = rig.at
    rig.base, rig.known = T0, True
    rig.scan()
    assert rig.shown() == [T0 + at]
    assert rig.unsure() == [False]


def test_what_happened_before_the_first_scan_under_a_clock_that_is_right_is_not_doubted(
    rig: Rig,
) -> None:
    rig.boot(base=T0, known=True)
    rig.tell()
    assert rig.shown() == [T0 + rig.at]
    assert rig.unsure() == [False]


def test_an_alarm_of_a_boot_never_synchronised_goes_where_its_scans_go_and_stays_unsure(
    rig: Rig,
) -> None:
    rig.boot(base=T0, known=True)
    rig.scan(3)
    ended = T0 + rig.at
    rig.boot(base=0)
    rig.scan(2, told=True)
    told = [rig.at - MINUTE, rig.at]
    assert rig.shown() == told
    rig.boot(base=T0 + DAY, known=True)
    rig.scan()
    assert rig.shown() == [ended + 1 + at for at in told]
    assert rig.unsure() == [True, True]


def test_two_boots_that_both_began_in_1970_are_told_apart_by_their_runs(rig: Rig) -> None:
    rig.boot(base=0)
    rig.scan(told=True)
    first = rig.at
    rig.base, rig.known = T0, True
    rig.scan()
    rig.boot(base=0)
    rig.scan(told=True)
    second = rig.at
    rig.base, rig.known = T0 + DAY, True
    rig.scan()
    assert rig.shown() == [T0 + first, T0 + DAY + second]


def test_a_clock_set_away_and_back_is_told_by_the_time_since_the_machine_started(rig: Rig) -> None:
    rig.boot(base=T0, known=True)
    rig.scan(told=True)
    for far in (HOUR, 0, HOUR):
        rig.base, rig.known = T0 + far, False
        rig.scan(told=True)
        rig.tell()
    times = [c.boottime_ms for c in Record(rig.folder).alarm_changes_after(0, limit=99)]
    assert rig.shown() == [T0 + at for at in times]
    rig.known = True  # an hour on is where it belongs, and only the last stretch can tell
    rig.scan()
    assert rig.shown() == [*(T0 + at for at in times[:-2]), *(T0 + HOUR + at for at in times[-2:])]


def test_of_a_boot_of_many_stretches_scans_that_are_sealed_tell_as_well(rig: Rig) -> None:
    rig.boot(base=0)
    for n in range(20):
        rig.base = n * 200 * MINUTE
        rig.scan(told=True)
    rig.base, rig.known = T0, True
    rig.scan(9)
    before = rig.shown()
    assert rig.writer is not None
    sealing = rig.writer.sealing(FAST)
    while sealing.bite():
        pass
    assert rig.shown() == before
    assert before == [T0 + 11 * SECOND + n * MINUTE for n in range(1, 21)]


def test_alarms_since_a_time_are_those_that_were_then(rig: Rig) -> None:
    rig.boot(base=T0 + YEAR)  # a year ahead
    rig.scan(told=True)
    rig.base, rig.known = T0, True
    rig.scan()
    rig.boot(base=0)  # and far behind
    rig.scan(told=True)
    rig.base, rig.known = T0 + DAY, True
    rig.scan(told=True)
    record = Record(rig.folder)

    def since(utc_ms: int) -> list[str]:
        return [change.says for change in record.alarm_changes_since(utc_ms)]

    assert since(T0) == ["change 1", "change 2", "change 3"]
    assert since(T0 + HOUR) == ["change 2", "change 3"]
    assert since(T0 + DAY + rig.at) == ["change 3"]
    assert since(T0 + YEAR) == []


def test_an_alarm_the_disk_does_not_take_is_told_of_as_if_it_were_kept(rig: Rig) -> None:
    rig.boot(base=0)
    rig.scan()
    unkept = Unkept()
    record = AlarmsOnTheirWay(rig.folder, unkept)
    unkept.put([rig.change()], after=0)
    (change,) = record.alarm_changes_after(0, limit=9)
    assert (change.utc_ms, change.unsure, change.id) == (rig.at, True, 1)
    at, rig.base, rig.known = rig.at, T0, True
    rig.scan()
    (change,) = record.alarm_changes_after(0, limit=9)
    assert (change.utc_ms, change.unsure, change.id) == (T0 + at, False, 1)


def test_a_backup_made_before_the_clock_was_known_was_made_when_it_was(rig: Rig) -> None:
    rig.boot(base=0)
    rig.scan()
    rig.commit(Batch(events=[rig.event(BACKUP, MADE)]))
    at, rig.base, rig.known = rig.at, T0, True
    assert BackupTimes(rig.folder).last_made() == at
    rig.scan()
    assert BackupTimes(rig.folder).last_made() == T0 + at


def test_what_a_damaged_record_tells_of_its_alarms_does_not_hang_on_its_clock(rig: Rig) -> None:
    rig.boot(base=0)
    rig.scan(told=True)
    at, rig.base, rig.known = rig.at, T0, True
    rig.scan()
    rig.end()
    (change,) = remains(rig.folder).changes
    assert change.utc_ms == T0 + at
    with closing(sqlite3.connect(rig.folder / "record.db", isolation_level=None)) as db:
        db.execute("DROP TABLE stretch")
    (change,) = remains(rig.folder).changes
    assert (change.utc_ms, change.says) == (at, "change 1")


def earlier(folder: Path, boots: dict[str, list[tuple[int, int]]]) -> None:
    """A record of a version that kept no run with its alarms, by the base and time of each."""
    with closing(sqlite3.connect(folder / "record.db", isolation_level=None)) as db:
        migrate(db, now="2031-02-03T04:05:06Z", migrations=ALL[:7])
        for boot, changes in boots.items():
            base, at = changes[0]
            cursor = db.execute(
                "INSERT INTO run (boot, software, started_utc_ms, started_boottime_ms)"
                " VALUES (?, '', ?, ?)",
                (boot, base + at - SECOND, at - SECOND),
            )
            if base == T0:
                continue  # nothing was measured
            db.execute(
                "INSERT INTO stretch (run, first_scan, offset_ms, shift_ms, known)"
                " VALUES (?, 1, ?, ?, 'placed')",
                (cursor.lastrowid, base, T0 - base),
            )
            db.executemany(
                "INSERT INTO alarm_change (key, utc_ms, boottime_ms, old, new, says)"
                " VALUES ('dry', ?, ?, 'normal', 'normal', ?)",
                [(base + at, at, boot) for base, at in changes],
            )
            db.execute("INSERT INTO event (utc_ms, kind, subject, says) VALUES (7, '', '', '')")


def shown_in(folder: Path) -> list[int]:
    return [change.utc_ms for change in Record(folder).alarm_changes_after(0, limit=99)]


def test_an_alarm_of_an_earlier_version_is_placed_where_only_one_boot_can_have_seen_it(
    tmp_path: Path,
) -> None:
    earlier(
        tmp_path,
        {
            "boot 1": [(5 * HOUR, 20 * SECOND), (5 * HOUR + 40, 30 * SECOND)],
            "boot 2": [(0, 20 * SECOND)],
            "boot 3": [(500, 20 * SECOND)],
            "boot 4": [(T0, 20 * SECOND)],
        },
    )
    as_written = [5 * HOUR + 20 * SECOND, 5 * HOUR + 40 + 30 * SECOND, 20 * SECOND, 20_500]
    assert shown_in(tmp_path) == as_written
    RecordWriter(tmp_path, now="2031-02-03T04:05:06Z").close()
    in_boot_1 = [T0 + 20 * SECOND, T0 + 40 + 30 * SECOND]
    assert shown_in(tmp_path) == [*in_boot_1, *as_written[2:]]
    assert [event.utc_ms for event in Record(tmp_path).events(limit=9)] == [7, 7, 7]


def test_a_boot_that_measured_nothing_may_have_seen_an_alarm_of_an_earlier_version(
    tmp_path: Path,
) -> None:
    earlier(tmp_path, {"boot 1": [(0, 20 * SECOND)], "boot 2": [(T0, 20 * SECOND)]})
    with closing(sqlite3.connect(tmp_path / "record.db", isolation_level=None)) as db:
        db.execute("UPDATE run SET started_utc_ms = started_boottime_ms + 900 WHERE id = 2")
    RecordWriter(tmp_path, now="2031-02-03T04:05:06Z").close()
    assert shown_in(tmp_path) == [20 * SECOND]


@pytest.mark.parametrize("version", ["0.1.0", "0.2.0", "0.3.0"])
def test_a_record_of_an_earlier_release_shows_its_alarms_and_events_when_it_did(
    version: str, tmp_path: Path
) -> None:
    shutil.copy(KEPT / version / "record.db", tmp_path)
    with closing(sqlite3.connect(tmp_path / "record.db")) as db:
        alarms = db.execute("SELECT id, utc_ms FROM alarm_change ORDER BY id").fetchall()
        events = db.execute("SELECT utc_ms, says FROM event ORDER BY id DESC").fetchall()
    assert alarms
    assert events

    def shown() -> tuple[list[tuple[int, int]], list[tuple[int, str]]]:
        record = Record(tmp_path)
        return (
            [(c.id, c.utc_ms) for c in record.alarm_changes_after(0, limit=9999)],
            [(e.utc_ms, e.says) for e in record.events(limit=9999) if e.kind != "upgrade"],
        )

    assert shown() == (alarms, events)
    RecordWriter(tmp_path, now="2031-02-03T04:05:06Z").close()
    assert shown() == (alarms, events)


story = st.lists(
    st.one_of(
        st.tuples(st.just("scan"), st.integers(1, 3)),
        st.tuples(st.just("tell"), st.integers(1, 2)),
        st.tuples(
            st.just("set"),
            st.sampled_from([-YEAR, -3 * MINUTE, -300, 60, 120, MINUTE, 5 * MINUTE, YEAR]),
        ),
        st.tuples(st.just("known"), st.integers(0, 1)),
        st.tuples(st.just("restart"), st.just(0)),
        st.tuples(st.just("boot"), st.sampled_from([0, T0, T0 + HOUR])),
    ),
    min_size=3,
    max_size=14,
)


@given(story=story)
@settings(max_examples=15, deadline=None, derandomize=True)
def test_whatever_happens_to_the_clock_an_alarm_stays_with_its_scan(
    tmp_path_factory: pytest.TempPathFactory, story: list[tuple[str, int]]
) -> None:
    rig = Rig(tmp_path_factory.mktemp("story"))
    rig.boot(base=T0)
    said: dict[str, int] = {}  # what a change of a scan says, and the id of that scan
    scans = 0
    for what, value in [*story, ("scan", 1)]:
        if what == "scan":
            for _ in range(value):
                rig.scan(told=True)
                scans += 1
                said[f"change {rig.changes}"] = scans
        elif what == "tell":
            rig.tell()
        elif what == "set":
            rig.base += value
        elif what == "known":
            rig.known = bool(value)
        elif what == "restart":
            rig.restart()
        else:
            rig.boot(base=value)
    rig.end()
    record = Record(rig.folder)
    placed = {scan.id: scan.utc_ms for scan in record.scans_after(0, limit=999)}
    for change in record.alarm_changes_after(0, limit=999):
        if (scan := said.get(change.says)) is not None:
            assert abs(change.utc_ms - placed[scan]) <= LEEWAY_MS
    rig.shown()
