"""Months on a board without a clock battery: where its scans end up, against the true time."""

import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from random import Random

from faults.lostclock import DAY, HOUR, MINUTE, YEAR, Board
from faults.outcome import Outcome
from longsoak.core.wording import with_noun
from longsoak.service.clock import look_at_the_wall
from longsoak.store.files import RECORD, connect_read_only
from longsoak.store.reader import Record
from longsoak.store.scans import scan_rows
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan

T0 = 1_900_000_000_000
DATES = ("1970", "saved", "ahead", "clock", "clock off")
WITHIN_MS = 1000
PROBES = {"wood": ("W1", "W2"), "air": ("A1",)}
EVERY = {"wood": MINUTE, "air": 10 * MINUTE}
SEAL_EVERY = 1440
AT_ONCE = 120  # scans of a quiet hour are committed together, or it would take nine months of fsync


@dataclass
class Taken:
    """What is true of one scan, and what the board's clocks said."""

    true_ms: float
    utc_ms: int
    boottime_ms: int
    boot: int


@dataclass
class Rig:
    """The board, what records on it, and what it measured."""

    board: Board
    folder: Path
    taken: list[Taken] = field(default_factory=list)
    gaps: list[float] = field(default_factory=list)  # true ones, ms
    never: set[int] = field(default_factory=set)  # boots that are never synchronised
    writer: RecordWriter | None = None
    waiting: list[Scan] = field(default_factory=list)
    sealed: int = 0  # scans, when sealing was looked at last
    furthest: float = 0.0  # from the true time, ms

    def start(self) -> None:
        """`longsoak run` starts."""
        self.writer = RecordWriter(self.folder, now="2031-02-03T04:05:06Z")
        self.writer.accept_rig("rig", utc_ms=self.board.utc_ms())
        if self.taken:
            self.gaps.append(self.board.true - self.taken[-1].true_ms)
        self.writer.begin_run(
            boot=self.board.boot,
            software="0",
            utc_ms=self.board.utc_ms(),
            boottime_ms=self.board.boottime_ms(),
            synchronised=self.board.synchronised(),
        )

    def cut(self) -> None:
        """It ends without a word."""
        assert self.writer is not None
        self.commit()
        self.writer.close()
        self.writer = None

    def commit(self) -> None:
        """Write what is measured so far."""
        assert self.writer is not None
        if not self.waiting:
            return
        self.writer.commit(Batch(scans=self.waiting))
        self.waiting = []
        if len(self.taken) - self.sealed > SEAL_EVERY:
            self.sealed = len(self.taken)
            sealing = self.writer.sealing()
            while sealing.bite():
                pass

    def poll(self, bus: str) -> None:
        """One pass of a bus; its raw value is the number of the scan."""
        wall = look_at_the_wall(self.board)
        boottime = self.board.boottime_ms()
        probes = PROBES[bus]
        values = (float(len(self.taken)),) * len(probes)
        self.waiting.append(
            Scan(
                bus,
                wall.base_ms + boottime,
                boottime,
                wall.synchronised,
                probes,
                ("Ohm",) * len(probes),
                values,
                values,
                values,
                (Flag.PASS,) * len(probes),
                (Reason.NONE,) * len(probes),
            )
        )
        self.taken.append(
            Taken(self.board.true, wall.base_ms + boottime, boottime, self.board.boots)
        )
        if len(self.waiting) >= AT_ONCE:
            self.commit()

    def go_on(self, ms: float) -> None:
        """Measure for a while."""
        until = self.board.true + ms
        while (left := until - self.board.true) > 0:
            self.board.go_on(min(left, MINUTE + self.board.chance.uniform(-40, 40)))
            if left < MINUTE:
                return
            self.poll("wood")
            if len(self.taken) % 11 == 0:
                self.board.go_on(self.board.chance.uniform(5, 400))
                self.poll("air")

    def restart(self) -> None:
        """The process is killed and started again, some seconds or minutes later."""
        self.cut()
        self.board.go_on(self.board.chance.uniform(3_000, 20 * MINUTE))
        self.start()


def live(rig: Rig, *, days: float, reboots: int) -> None:
    """Measure for `days`, with `reboots` power cuts, and clocks set every way."""
    chance, board = rig.board.chance, rig.board
    each = days * DAY / (reboots + 1)
    ends = board.true
    for boot in range(reboots + 1):
        ends += each
        board.boot_anew(DATES[boot % len(DATES)] if boot else "clock")
        never = boot % 11 == 7
        if never:
            rig.never.add(board.boots)
        rig.start()
        _until_synchronised(rig, never=never)
        happenings: list[Callable[[Rig], None]] = chance.sample(HAPPENINGS, k=3)
        for happens in () if never else happenings:
            rig.go_on(chance.uniform(0.02, 0.15) * each)
            happens(rig)
        outage = min(chance.uniform(2 * MINUTE, 2 * DAY), 0.2 * each)
        rig.go_on(max(HOUR, ends - outage - board.true))
        rig.cut()
        board.go_on(max(MINUTE, ends - board.true))
    rig.board.boot_anew("saved")
    rig.start()
    rig.go_on(20 * MINUTE)
    board.synchronise()
    rig.go_on(20 * MINUTE)
    rig.cut()


def _until_synchronised(rig: Rig, *, never: bool) -> None:
    chance, board = rig.board.chance, rig.board
    rig.go_on(chance.uniform(2, 120) * MINUTE)
    if chance.random() < 0.4:  # somebody sets the date, not quite right
        board.set_by(chance.uniform(-5, 5) * MINUTE - board.wrong)
        rig.go_on(chance.uniform(2, 60) * MINUTE)
    if chance.random() < 0.4:
        rig.restart()
        rig.go_on(chance.uniform(2, 60) * MINUTE)
    if not never:
        rig.go_on(chance.uniform(0, 6) * HOUR)
        board.synchronise()
        rig.go_on(5 * MINUTE)


def _set_wrong(rig: Rig) -> None:
    """The clock is set by minutes or years, and put right later."""
    chance, board = rig.board.chance, rig.board
    far = chance.choice([2_500, 3 * MINUTE, 47 * MINUTE, HOUR, YEAR, 20 * YEAR])
    board.set_by(chance.choice([-1, 1]) * far)
    rig.go_on(chance.uniform(5, 300) * MINUTE)
    if chance.random() < 0.5:
        board.set_by(chance.uniform(-2, 2) * HOUR)
        rig.go_on(chance.uniform(5, 60) * MINUTE)
    board.synchronise()


def _set_wrong_over_a_restart(rig: Rig) -> None:
    board = rig.board
    board.set_by(-37 * MINUTE)
    rig.go_on(12 * MINUTE)
    rig.restart()
    rig.go_on(12 * MINUTE)
    board.synchronise()
    rig.go_on(12 * MINUTE)


def _set_while_down(rig: Rig) -> None:
    """The process is not there when the clock is set."""
    rig.cut()
    rig.board.set_by(YEAR)
    rig.board.go_on(2 * MINUTE)
    rig.start()
    rig.go_on(30 * MINUTE)
    rig.board.synchronise()


def _lose_for_days(rig: Rig) -> None:
    """No server for days; then the clock is put right by what it went wrong meanwhile."""
    board = rig.board
    known = board.residual
    board.lose()
    board.residual = board.chance.uniform(-5e-6, 5e-6)  # it is warmer or colder meanwhile
    rig.go_on(board.chance.uniform(0.5, 6) * DAY)
    if board.chance.random() < 0.5:
        rig.restart()
    board.synchronise()
    board.residual = known


def _restart(rig: Rig) -> None:
    rig.restart()


HAPPENINGS = [_set_wrong, _set_wrong_over_a_restart, _set_while_down, _lose_for_days, _restart]


def wrongs(rig: Rig) -> Iterator[str]:
    """Everything in the record that is not as it was, or not where it belongs."""
    taken = rig.taken
    with connect_read_only(rig.folder / RECORD) as db:
        db.execute("BEGIN")
        count = 0
        for row, truth in zip(scan_rows(db, 1, 2**62), taken, strict=False):
            count += 1
            if not 0 <= row.utc_ms - truth.utc_ms <= 5 or row.boottime_ms != truth.boottime_ms:
                yield f"scan {row.id} was recorded at {truth.utc_ms} and is kept as {row.utc_ms}"
        db.execute("ROLLBACK")
    db.close()
    if count != len(taken):
        yield f"{len(taken)} scans were taken, {count} are there"
    record = Record(rig.folder)
    placed: dict[int, int] = {}
    for probes in PROBES.values():
        for probe in probes:
            readings = record.series(probe, since_ms=-(2**53), until_ms=2**53)
            for before, after in pairwise(readings):
                if after.utc_ms <= before.utc_ms:
                    yield f"{probe}: {after.raw} at {after.utc_ms} is not after {before.utc_ms}"
            for reading in readings:
                assert reading.raw is not None
                placed[int(reading.raw)] = reading.utc_ms
    if missing := len(taken) - len(placed):
        yield f"{missing} scans are in no series"
        return
    for number, truth in enumerate(taken):
        if number and placed[number - 1] >= placed[number]:
            yield f"scan {number + 1} does not lie after the one before it"
        if truth.boot not in rig.never:
            off = abs(placed[number] - truth.true_ms)
            rig.furthest = max(rig.furthest, off)
            if off > WITHIN_MS:
                yield f"scan {number + 1} is {off / 1000:.1f} s off"
    yield from _wrong_gaps(rig, record)


def _wrong_gaps(rig: Rig, record: Record) -> Iterator[str]:
    gaps = record.gaps()
    if len(gaps) != len(rig.gaps):
        yield f"there were {len(rig.gaps)} gaps, {len(gaps)} are there"
    for gap, true in zip(gaps, rig.gaps, strict=False):
        if gap.length_ms is not None and abs(gap.length_ms - true) > 2 * WITHIN_MS:
            yield f"a gap of {true / 1000:.1f} s is told as {gap.length_ms / 1000:.1f} s"
    unsettled = sum(gap.length_ms is None for gap in gaps)
    if unsettled > 2 * len(rig.never):
        yield f"{unsettled} gaps have no length, {len(rig.never)} boots were never synchronised"


def campaign(*, seed: int, short: bool) -> Outcome:
    """Nine months and 40 reboots, or some days and 8."""
    days, reboots = (16.0, 8) if short else (274.0, 40)
    with tempfile.TemporaryDirectory() as folder:
        rig = Rig(Board(Random(seed), float(T0)), Path(folder))  # noqa: S311 - no secret
        live(rig, days=days, reboots=reboots)
        wrong = list(wrongs(rig))
    right = (
        f"all lie in the order taken, within {rig.furthest / 1000:.2f} s of the true time"
        f" (allowed {WITHIN_MS / 1000:g} s), but for {with_noun(len(rig.never), 'boot')} never"
        " synchronised: those only in order, between their neighbours"
    )
    return Outcome(
        "clock",
        f"{(rig.board.true - T0) / DAY:.0f} days, {reboots + 1} power cuts,"
        f" clocks wrong by minutes to 70 years, {len(rig.taken)} scans",
        len(wrong),
        wrong[0] if wrong else right,
    )
