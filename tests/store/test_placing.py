"""Where scans end up that were taken before anybody knew the time."""

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from itertools import pairwise
from math import nan
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from longsoak.store.migrations import ALL, migrate
from longsoak.store.packing import pack
from longsoak.store.reader import Record
from longsoak.store.scans import scan_rows
from longsoak.store.sealing import SealingPlan
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan

T0 = 1_900_000_000_000
MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
YEAR = 365 * DAY
FAST = SealingPlan(tail=1, lengths=(4,), enough=1)


@dataclass
class Rig:
    """A record, and how many scans it has been given; a scan's raw value is its number."""

    folder: Path
    restart_after: int = 0  # end without a word after this scan and start again
    sealing: bool = False
    scans: int = 0
    boot: str = ""
    writer: RecordWriter | None = None

    def start(self, boot: str, *, base: int, at: int, known: bool = False) -> None:
        """A run begins in `boot`; UTC is `base` and CLOCK_BOOTTIME `at`, ms."""
        self.end()
        self.boot = boot
        self.writer = RecordWriter(self.folder, now="2031-02-03T04:05:06Z")
        self.writer.accept_rig("rig", utc_ms=T0)
        self.writer.begin_run(
            boot=boot, software="0", utc_ms=base + at, boottime_ms=at, synchronised=known
        )

    def measure(
        self, *, base: int, at: int, known: bool = False, count: int = 3, bus: str = "bus"
    ) -> None:
        """Scans a minute apart, each its own commit."""
        for i in range(count):
            boottime = at + i * MINUTE
            assert self.writer is not None
            self.writer.commit(Batch(scans=[self.scan(base, boottime, known=known, bus=bus)]))
            if self.sealing:
                sealing = self.writer.sealing(FAST)
                while sealing.bite():
                    pass
            if self.scans == self.restart_after:
                self.start(self.boot, base=base, at=boottime + 1, known=known)

    def scan(self, base: int, boottime: int, *, known: bool, bus: str = "bus") -> Scan:
        self.scans += 1
        raw = (float(self.scans),)
        return Scan(
            bus,
            base + boottime,
            boottime,
            known,
            (f"probe of {bus}",),
            ("Ohm",),
            raw,
            (nan,),
            (nan,),
            (Flag.PASS,),
            (Reason.NONE,),
        )

    def end(self) -> None:
        if self.writer is not None:
            self.writer.close()
            self.writer = None

    def placed(self, bus: str = "bus") -> list[int]:
        """UTC of each scan, by their numbers."""
        record = Record(self.folder)
        readings = record.series(f"probe of {bus}", since_ms=-(2**60), until_ms=2**60)
        return [
            reading.utc_ms for reading in sorted(readings, key=lambda reading: reading.raw or 0)
        ]

    def says(self, kind: str = "clock") -> list[str]:
        events = Record(self.folder).events(limit=100)
        return [event.says for event in reversed(events) if event.kind == kind]

    def known(self) -> list[str]:
        with sqlite3.connect(self.folder / "record.db") as db:
            rows = db.execute("SELECT known FROM stretch ORDER BY id").fetchall()
        db.close()
        return [known for (known,) in rows]


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


def minutes(start: int, *at: int) -> list[int]:
    return [start + minute * MINUTE for minute in at]


@pytest.mark.parametrize("wakes", [-YEAR, -T0, -7 * MINUTE, 3 * DAY])
def test_what_was_measured_before_the_clock_was_known_is_placed_once_it_is(
    rig: Rig, wakes: int
) -> None:
    rig.start("boot 1", base=T0 + wakes, at=9000)
    rig.measure(base=T0 + wakes, at=10_000)
    assert rig.known() == ["unsure"]
    rig.measure(base=T0, at=10_000 + 3 * MINUTE, known=True)
    assert rig.placed() == minutes(T0 + 10_000, 0, 1, 2, 3, 4, 5)
    assert rig.known() == ["placed", "clock"]
    (says,) = rig.says()
    assert says.startswith("the clock is synchronised now: 3 scans, recorded from ")
    assert says.endswith("earlier" if wakes > 0 else "later")


def test_the_recorded_utc_is_never_touched(rig: Rig) -> None:
    rig.start("boot 1", base=0, at=9000)
    rig.measure(base=0, at=10_000)
    rig.measure(base=T0, at=10_000 + 3 * MINUTE, known=True)
    with sqlite3.connect(rig.folder / "record.db") as db:
        rows = db.execute("SELECT utc_ms, boottime_ms, synchronised FROM scan").fetchall()
    db.close()
    times = minutes(10_000, 0, 1, 2, 3, 4, 5)
    assert rows == [(at + T0 * (i > 2), at, int(i > 2)) for i, at in enumerate(times)]


def test_a_clock_that_was_right_before_it_was_synchronised_is_confirmed(rig: Rig) -> None:
    rig.start("boot 1", base=T0, at=9000)
    rig.measure(base=T0, at=10_000)
    rig.measure(base=T0 + 60, at=10_000 + 3 * MINUTE, known=True)  # slewed, not set
    assert rig.known() == ["placed", "clock"]
    assert rig.placed()[:3] == minutes(T0 + 10_000, 0, 1, 2)
    assert rig.says()[0].endswith("stand as recorded")


def test_runs_before_the_first_synchronisation_of_their_boot_are_placed_with_it(rig: Rig) -> None:
    rig.start("boot 1", base=0, at=9000)
    rig.measure(base=0, at=10_000)
    rig.start("boot 1", base=0, at=4 * MINUTE)
    rig.measure(base=0, at=10_000 + 4 * MINUTE)
    rig.start("boot 1", base=T0 - YEAR, at=8 * MINUTE)  # set by hand meanwhile
    rig.measure(base=T0 - YEAR, at=10_000 + 8 * MINUTE)
    rig.measure(base=T0, at=10_000 + 11 * MINUTE, known=True)
    assert rig.placed() == minutes(T0 + 10_000, 0, 1, 2, 4, 5, 6, 8, 9, 10, 11, 12, 13)
    assert [gap.length_ms for gap in Record(rig.folder).gaps()] == [
        4 * MINUTE - 10_000 - 2 * MINUTE,
        8 * MINUTE - 10_000 - 6 * MINUTE,
    ]


def test_a_date_set_by_hand_moves_all_of_a_boot_that_has_nothing_better(rig: Rig) -> None:
    rig.start("boot 1", base=0, at=9000)
    rig.measure(base=0, at=10_000)
    rig.measure(base=T0, at=10_000 + 3 * MINUTE)
    assert rig.known() == ["unsure", "unsure"]
    assert rig.placed() == minutes(T0 + 10_000, 0, 1, 2, 3, 4, 5)


@pytest.mark.parametrize("far", [-YEAR, -20 * MINUTE, 20 * MINUTE, YEAR])
def test_a_clock_set_unsynchronised_after_it_was_known_is_not_believed(rig: Rig, far: int) -> None:
    rig.start("boot 1", base=T0, at=9000, known=True)
    rig.measure(base=T0, at=10_000, known=True)
    rig.measure(base=T0 + far, at=10_000 + 3 * MINUTE)
    assert rig.placed() == minutes(T0 + 10_000, 0, 1, 2, 3, 4, 5)
    rig.measure(base=T0, at=10_000 + 6 * MINUTE, known=True)
    assert rig.placed() == minutes(T0 + 10_000, *range(9))
    assert rig.known() == ["clock", "placed", "clock"]
    away, back = rig.says()
    assert away.endswith("until it is, scans are placed as if it had not been")
    assert back.endswith("to where it was synchronised before")


@pytest.mark.parametrize("restarted", [False, True])
def test_a_clock_set_unsynchronised_is_believed_once_it_is_synchronised_there(
    rig: Rig, restarted: bool
) -> None:
    rig.start("boot 1", base=T0, at=9000, known=True)
    rig.measure(base=T0, at=10_000, known=True)
    rig.measure(base=T0 + HOUR, at=10_000 + 3 * MINUTE)
    if restarted:
        rig.start("boot 1", base=T0 + HOUR, at=10_000 + 5 * MINUTE + 1)
    rig.measure(base=T0 + HOUR, at=10_000 + 6 * MINUTE, known=True)
    assert rig.placed() == [
        *minutes(T0 + 10_000, 0, 1, 2),
        *minutes(T0 + HOUR + 10_000, 3, 4, 5, 6, 7, 8),
    ]
    assert rig.says()[-1].endswith("stand as recorded")


@pytest.mark.parametrize("ppm", [-5, 5])
@pytest.mark.parametrize("restarted", [False, True])
def test_what_a_clock_went_wrong_while_no_server_answered_is_spread_over_that_time(
    rig: Rig, ppm: int, restarted: bool
) -> None:
    """Its CLOCK_BOOTTIME runs wrong by as much, so that only the step tells."""
    rate = 1 + ppm * 1e-6
    true: list[float] = []

    def held(since: int, hours: int) -> None:
        for hour in range(since, since + hours):
            true.append(T0 + 200_000 + hour * HOUR / rate)
            rig.measure(base=T0, at=200_000 + hour * HOUR, count=1)

    rig.start("boot 1", base=T0, at=9000, known=True)
    rig.measure(base=T0, at=10_000, known=True)
    held(0, 60)
    if restarted:
        rig.start("boot 1", base=T0, at=200_000 + 59 * HOUR + 1)
    held(60, 60)
    wrong = round(120 * HOUR * (1 - 1 / rate))
    assert abs(wrong) > 2000
    rig.measure(base=T0 - wrong, at=200_000 + 120 * HOUR, known=True)
    placed = rig.placed()
    assert all(before < after for before, after in pairwise(placed))
    off = [abs(got - want) for got, want in zip(placed[3:-3], true, strict=True)]
    assert max(off) < 100
    assert rig.says() == [
        f"the clock was set 2.2 s {'back' if ppm > 0 else 'on'} and is synchronised:"
        " what was measured since it last was is moved evenly"
    ]


def test_scans_of_two_buses_close_by_keep_their_order_where_such_a_time_is_spread(
    rig: Rig,
) -> None:
    rig.start("boot 1", base=T0, at=9000, known=True)
    rig.measure(base=T0, at=10_000, known=True, count=1)
    for i in range(30 * 6):  # 30 h, every ten minutes, 80 ms apart; 20 parts in a million fast
        for after, bus in enumerate(("bus", "other")):
            rig.measure(base=T0, at=100_000 + i * 10 * MINUTE + 80 * after, count=1, bus=bus)
    rig.measure(base=T0 - 2160, at=100_000 + 30 * HOUR, known=True)
    for one, other in zip(rig.placed("bus")[1:], rig.placed("other"), strict=False):
        assert other - one == 80
    assert len(rig.known()) == 7


def test_what_a_clock_was_set_by_beyond_what_it_can_have_gone_wrong_is_not_spread(rig: Rig) -> None:
    rig.start("boot 1", base=T0, at=9000, known=True)
    rig.measure(base=T0, at=10_000, known=True)
    rig.measure(base=T0, at=10_000 + 3 * MINUTE)
    rig.measure(base=T0 + 40_000, at=10_000 + 6 * MINUTE, known=True)
    assert rig.placed()[:6] == minutes(T0 + 10_000, *range(6))
    assert rig.says()[0].endswith("what was measured before stays where it was")


def test_of_two_synchronised_clocks_that_disagree_the_later_is_believed_from_there_on(
    rig: Rig,
) -> None:
    rig.start("boot 1", base=T0 + YEAR, at=9000)
    rig.measure(base=T0 + YEAR, at=10_000, known=True)
    rig.measure(base=T0, at=10_000 + 3 * MINUTE, known=True)
    assert rig.placed() == [*minutes(T0 + YEAR + 10_000, 0, 1, 2), *minutes(T0 + 10_000, 3, 4, 5)]
    assert rig.says() == [
        "the clock was set 365 days back and is synchronised: "
        "what was measured before stays where it was"
    ]


def test_where_synchronised_clocks_disagree_no_two_scans_of_a_bus_share_a_time(rig: Rig) -> None:
    rig.start("boot 1", base=T0, at=9000, known=True)
    rig.measure(base=T0, at=10_000, known=True, count=9)
    # Back by whole minutes: to the very ms of scans that are there.
    rig.measure(base=T0 - 5 * MINUTE, at=10_000 + 9 * MINUTE, known=True, count=9)
    placed = rig.placed()
    assert len(set(placed)) == 18
    wanted = minutes(T0 + 10_000, *range(9), *range(4, 13))
    assert [got - want for got, want in zip(placed, wanted, strict=True)] == [0] * 9 + [1] * 5 + [
        0
    ] * 4


def test_two_buses_may_share_a_time(rig: Rig) -> None:
    rig.start("boot 1", base=T0, at=9000, known=True)
    rig.measure(base=T0, at=10_000, known=True)
    rig.measure(base=T0 - 3 * MINUTE, at=10_000 + 3 * MINUTE, known=True, bus="other")
    assert rig.placed("other") == rig.placed("bus")


def test_a_boot_never_synchronised_lies_directly_after_the_one_before(rig: Rig) -> None:
    """It began in 1970; that it came after boot 1 and before boot 3 is all that is known."""
    rig.start("boot 1", base=T0, at=9000, known=True)
    rig.measure(base=T0, at=10_000, known=True)
    rig.start("boot 2", base=0, at=9000)
    rig.measure(base=0, at=20_000)
    rig.start("boot 3", base=1, at=9000)
    rig.measure(base=1, at=10_000)
    ended = T0 + 10_000 + 2 * MINUTE
    assert rig.placed()[3:6] == minutes(ended + 1 + 20_000, 0, 1, 2)
    rig.measure(base=T0 + DAY, at=10_000 + 3 * MINUTE, known=True)
    assert rig.known() == ["clock", "unsure", "placed", "clock"]
    assert rig.placed() == [
        *minutes(T0 + 10_000, 0, 1, 2),
        *minutes(ended + 1 + 20_000, 0, 1, 2),
        *minutes(T0 + DAY + 10_000, *range(6)),
    ]
    assert rig.says()[-1] == (
        "3 scans of a boot whose clock was never synchronised were taken after"
        " 17 Mar 2030, 17:48:50 UTC and before 18 Mar 2030, 17:46:40 UTC,"
        " and are placed 21991 days later"
    )
    assert [gap.length_ms for gap in Record(rig.folder).gaps()] == [None, None]


def test_a_boot_never_synchronised_whose_clock_may_be_right_keeps_it(rig: Rig) -> None:
    rig.start("boot 1", base=T0, at=9000, known=True)
    rig.measure(base=T0, at=10_000, known=True)
    rig.start("boot 2", base=T0 + HOUR, at=9000)
    rig.measure(base=T0 + HOUR, at=20_000)
    rig.start("boot 3", base=T0 + DAY, at=9000, known=True)
    rig.measure(base=T0 + DAY, at=10_000, known=True)
    assert rig.placed()[3:6] == minutes(T0 + HOUR + 20_000, 0, 1, 2)
    assert rig.says()[-1].endswith("stand as recorded")
    assert rig.known() == ["clock", "unsure", "clock"]


def test_boots_never_synchronised_on_end_keep_their_order_and_leave_room_for_each_other(
    rig: Rig,
) -> None:
    rig.start("boot 1", base=T0, at=9000, known=True)
    rig.measure(base=T0, at=10_000, known=True)
    for number, base in enumerate((YEAR, T0 + 2 * YEAR, 0), 2):
        rig.start(f"boot {number}", base=base, at=9000)
        rig.measure(base=base, at=10_000)
    rig.start("boot 5", base=T0 + HOUR, at=9000, known=True)
    rig.measure(base=T0 + HOUR, at=10_000, known=True)
    placed = rig.placed()
    assert all(before < after for before, after in pairwise(placed))
    assert placed[-3:] == minutes(T0 + HOUR + 10_000, 0, 1, 2)
    assert rig.known() == ["clock", "unsure", "unsure", "unsure", "clock"]


def test_the_first_boot_of_all_never_synchronised_lies_directly_before_the_next(rig: Rig) -> None:
    rig.start("boot 1", base=0, at=9000)
    rig.measure(base=0, at=10_000)
    rig.start("boot 2", base=T0, at=9000, known=True)
    rig.measure(base=T0, at=10_000, known=True)
    assert rig.placed()[:3] == minutes(T0 - 1 - 2 * MINUTE, 0, 1, 2)


def test_a_boot_that_can_not_lie_between_its_neighbours_shares_no_time_with_them(rig: Rig) -> None:
    """Boot 2 ran longer than there was time: one of the clocks beside it was wrong."""
    rig.start("boot 1", base=T0, at=9000, known=True)
    rig.measure(base=T0, at=10_000, known=True)
    rig.start("boot 2", base=0, at=9000)
    rig.measure(base=0, at=10_000, count=9)
    ended = T0 + 10_000 + 2 * MINUTE
    rig.start("boot 3", base=ended + 1 + MINUTE, at=9000, known=True)
    rig.measure(base=ended + 1 + MINUTE, at=10_000, known=True, count=12)
    placed = rig.placed()
    assert len(set(placed)) == len(placed) == 24


def test_a_boot_whose_synchronised_clock_says_it_came_before_the_one_before_is_told(
    rig: Rig,
) -> None:
    rig.start("boot 1", base=T0, at=9000, known=True)
    rig.measure(base=T0, at=10_000, known=True, count=9)
    rig.start("boot 2", base=T0 - YEAR, at=9000)
    rig.measure(base=T0 - YEAR, at=10_000, count=12)
    rig.measure(base=T0 + MINUTE, at=10_000 + 12 * MINUTE, known=True)
    placed = rig.placed()
    assert len(set(placed)) == len(placed) == 24
    assert rig.says()[-1].endswith("One of the two clocks was wrong; both stand as recorded")


def long_story(rig: Rig) -> None:
    """A boot with everything in it, after one that was never synchronised."""
    rig.start("boot 1", base=T0, at=9000, known=True)
    rig.measure(base=T0, at=10_000, known=True)
    rig.start("boot 2", base=0, at=9000)
    rig.measure(base=0, at=10_000)
    rig.start("boot 3", base=T0 - 7 * MINUTE, at=9000)
    rig.measure(base=T0 - 7 * MINUTE, at=10_000)
    rig.measure(base=T0 + DAY, at=10_000 + 3 * MINUTE, known=True)
    rig.measure(base=T0 - YEAR, at=10_000 + 6 * MINUTE)
    rig.measure(base=T0 + DAY + HOUR, at=10_000 + 9 * MINUTE)
    rig.measure(base=T0 + DAY + HOUR, at=10_000 + 12 * MINUTE, known=True)
    rig.end()


@pytest.mark.parametrize("after", range(1, 22))
def test_a_process_killed_after_any_commit_goes_on_as_if_it_had_not_been(
    tmp_path: Path, after: int
) -> None:
    whole, cut = Rig(tmp_path / "whole"), Rig(tmp_path / "cut", restart_after=after)
    for rig in (whole, cut):
        rig.folder.mkdir()
        long_story(rig)
    assert cut.placed() == whole.placed()


def test_sealed_scans_are_placed_like_all(tmp_path: Path) -> None:
    live, sealed = Rig(tmp_path / "live"), Rig(tmp_path / "sealed", sealing=True)
    for rig in (live, sealed):
        rig.folder.mkdir()
        long_story(rig)
    with sqlite3.connect(sealed.folder / "record.db") as db:
        (rows,) = db.execute("SELECT count(*) FROM scan").fetchone()
    db.close()
    assert rows < 6 < sealed.scans
    assert sealed.placed() == live.placed()
    assert sealed.says() == live.says()
    assert Record(sealed.folder).gaps() == Record(live.folder).gaps()


def test_a_synchronisation_whose_commit_fails_is_made_good_by_the_next(rig: Rig) -> None:
    rig.start("boot 1", base=0, at=9000)
    rig.measure(base=0, at=10_000)
    assert rig.writer is not None
    first = rig.scan(T0, 10_000 + 3 * MINUTE, known=True)
    bad = AlarmChange("k", T0, 0, AlarmState.NORMAL, AlarmState.NEW, None, None, None)  # type: ignore[arg-type]  # a NULL the schema refuses
    with pytest.raises(StoreError, match="could not be kept"):
        rig.writer.commit(Batch(scans=[first], changes=[bad]))
    assert rig.placed() == minutes(10_000, 0, 1, 2)
    assert rig.says() == []
    rig.writer.commit(Batch(scans=[first]))
    assert rig.placed() == minutes(T0 + 10_000, 0, 1, 2, 3)
    assert len(rig.says()) == 1


def test_a_stretch_begins_only_where_the_clock_was_set(rig: Rig) -> None:
    """Two clocks read one after the other differ by a few ms from scan to scan."""
    rig.start("boot 1", base=T0, at=9000, known=True)
    for i, noise in enumerate((0, 3, -4, 9, -20, 15)):
        rig.measure(base=T0 + noise, at=10_000 + i * MINUTE, known=True, count=1)
    assert rig.known() == ["clock"]
    rig.measure(base=T0 + 250, at=10_000 + 6 * MINUTE, known=True, count=1)
    assert rig.known() == ["clock", "clock"]


def earlier_record(folder: Path, boots: dict[str, list[tuple[int, int, bool]]]) -> None:
    """A record as version 0.3 wrote it: by boot (base, CLOCK_BOOTTIME, synchronised) of scans."""
    db = sqlite3.connect(folder / "record.db", isolation_level=None)
    migrate(db, now="2031-02-03T04:05:06Z", migrations=ALL[:2])
    db.execute("INSERT INTO rig_version VALUES (1, 0, 'x', 'rig')")
    db.execute("""INSERT INTO layout VALUES (1, 1, 'bus', '["probe of bus"]', '["Ohm"]')""")
    number = 0
    for run, (boot, scans) in enumerate(boots.items(), 1):
        db.execute("INSERT INTO run VALUES (?, ?, '0.3', 0, 0, NULL)", (run, boot))
        before = None
        for base, boottime, known in scans:
            number += 1
            if base != before:
                db.execute(
                    "INSERT INTO stretch (run, first_scan, offset_ms) VALUES (?, ?, ?)",
                    (run, number, base),
                )
            before = base
            packed = pack(Rig(folder, scans=number - 1).scan(base, boottime, known=known))
            row = (number, base + boottime, boottime, known, packed)
            db.execute("INSERT INTO scan VALUES (?, 1, ?, ?, ?, ?)", row)
    db.close()


def test_a_record_of_an_earlier_version_is_placed_when_it_is_opened_for_writing(rig: Rig) -> None:
    earlier_record(
        rig.folder,
        {
            "boot 1": [
                *((0, at, False) for at in minutes(10_000, 0, 1)),
                *((T0, at, True) for at in minutes(10_000, 2, 3)),
                *((T0 - YEAR, at, False) for at in minutes(10_000, 4, 5)),
                *((T0, at, True) for at in minutes(10_000, 6, 7)),
            ],
            "boot 2": [(0, at, False) for at in minutes(20_000, 0, 1)],
        },
    )
    assert rig.placed()[:2] == minutes(10_000, 0, 1)
    rig.start("boot 3", base=0, at=9000)
    assert rig.placed() == [*minutes(T0 + 10_000, *range(8)), *minutes(20_000, 0, 1)]
    assert rig.known() == ["placed", "clock", "placed", "clock", "unsure"]
    rig.scans = 10
    rig.measure(base=T0 + DAY, at=10_000, known=True)
    ended = T0 + 10_000 + 7 * MINUTE
    assert rig.placed()[8:10] == minutes(ended + 1 + 20_000, 0, 1)


happenings = st.lists(
    st.one_of(
        st.tuples(st.just("measure"), st.integers(1, 4), st.sampled_from(["bus", "other"])),
        st.tuples(
            st.just("set"),
            st.sampled_from([-YEAR, -3 * MINUTE, -MINUTE, -300, 120, MINUTE, 5 * MINUTE, YEAR]),
            st.booleans(),
        ),
        st.tuples(st.just("synchronised"), st.booleans(), st.none()),
        st.tuples(st.just("restart"), st.none(), st.none()),
        st.tuples(st.just("reboot"), st.sampled_from([0, T0, T0 + HOUR]), st.booleans()),
    ),
    min_size=3,
    max_size=14,
)


@given(story=happenings, sealing=st.booleans())
@settings(max_examples=25, deadline=None, derandomize=True)
def test_whatever_happens_to_the_clock_nothing_is_altered_lost_or_on_top_of_another(
    tmp_path_factory: pytest.TempPathFactory, story: list[tuple[str, int, object]], sealing: bool
) -> None:
    rig = Rig(tmp_path_factory.mktemp("story"), sealing=sealing)
    base, at, known, boot = T0, 10_000, False, 1
    gave: list[tuple[int, int, str]] = []
    rig.start("boot 1", base=base, at=at)
    for what, one, two in [*story, ("measure", 2, "bus")]:
        if what == "measure":
            gave += [(base + at + i * MINUTE, at + i * MINUTE, str(two)) for i in range(one)]
            rig.measure(base=base, at=at, known=known, count=one, bus=str(two))
            at += one * MINUTE
        elif what == "set":
            base, known = base + one, bool(two)
        elif what == "synchronised":
            known = bool(one)
        else:
            if what == "reboot":
                boot, base, at, known = boot + 1, one, 7_000, bool(two)
            at += 3000
            rig.start(f"boot {boot}", base=base, at=at, known=known)
    rig.end()
    with closing(sqlite3.connect(rig.folder / "record.db", isolation_level=None)) as db:
        rows = list(scan_rows(db, 1, 2**40))
    assert [row.boottime_ms for row in rows] == [boottime for _, boottime, _ in gave]
    assert all(0 <= row.utc_ms - utc < 500 for row, (utc, _, _) in zip(rows, gave, strict=True))
    for bus in ("bus", "other"):
        placed = rig.placed(bus) if any(name == bus for *_, name in gave) else []
        assert len(placed) == sum(name == bus for *_, name in gave)
        assert len(set(placed)) == len(placed)
