"""Scans whose time is not known wait a while, and go again once it is put right."""

from math import nan
from pathlib import Path

import pytest

from longsoak.forward.times import PATIENCE_MS, PutRight, TimedRecord
from longsoak.store.reader import StoredScan
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.errors import ForwardError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan

TRUE = 1_900_000_000_000  # UTC of the first boot, ms
EARLY = 1_000_000_000_000  # where a computer without a battery starts
MINUTE = 60_000
HOUR = 60 * MINUTE


class Copy:
    """An outlet that takes three scans a step; `sent` is what went out, and with which times."""

    name = "copy"

    def __init__(self, record: TimedRecord) -> None:
        self.record = record
        self.sent: list[StoredScan] = []
        self.sure: list[bool] = []
        self.closed = False

    def step(self, position: int) -> int:
        scans = self.record.scans_after(position, limit=3)
        self.sent += scans
        self.sure += [self.record.time_sure(scan.id) for scan in scans]
        return scans[-1].id if scans else position

    def close(self) -> None:
        self.closed = True


class Machine:
    """A rig's computer: it boots, measures a scan a minute, and copies what it has measured.

    `true_ms` is the time as nobody on it knows it.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.true_ms = TRUE
        self.right: dict[int, int] = {}  # true UTC of each scan, ms
        self.told: list[str] = []
        self._boots = 0
        self._writer: RecordWriter | None = None

    def boot(self, *, wakes: int = EARLY, synchronised: bool = False, off: int = HOUR) -> None:
        """Begin a run after being off; the clock says `wakes` then."""
        if self._writer is not None:
            self._writer.close()
        self._boots += 1
        self.true_ms += off
        self.booted_ms = self.true_ms
        self.boottime_ms = 0
        self.set_clock(wakes, synchronised=synchronised)
        self._writer = RecordWriter(self.folder, now="2030-03-17T17:46:40Z")
        self.writer.accept_rig("rig", utc_ms=wakes)
        self.writer.begin_run(
            boot=f"boot {self._boots}",
            software="0",
            utc_ms=wakes,
            boottime_ms=0,
            synchronised=synchronised,
        )
        self.begin_to_copy()

    @property
    def writer(self) -> RecordWriter:
        assert self._writer is not None
        return self._writer

    def set_clock(self, utc_ms: int, *, synchronised: bool = True) -> None:
        self._base_ms = utc_ms - self.boottime_ms
        self._synchronised = synchronised

    def find_the_time(self) -> None:
        self.set_clock(self.true_ms)

    def measure(self, count: int = 1) -> None:
        for _ in range(count):
            self.true_ms += MINUTE
            self.boottime_ms += MINUTE
            scan = Scan(
                "bus",
                self._base_ms + self.boottime_ms,
                self.boottime_ms,
                self._synchronised,
                ("T",),
                ("Cel",),
                (20.0,),
                (20.0,),
                (nan,),
                (Flag.PASS,),
                (Reason.NONE,),
            )
            self.writer.commit(Batch(scans=[scan]))
            self.right[len(self.right) + 1] = self.true_ms

    def begin_to_copy(self) -> None:
        """Start the process that copies, with what was saved."""
        record = TimedRecord(self.folder, boottime_ms=lambda: self.boottime_ms)
        self.position = record.cursor("copy")
        self.outlet = Copy(record)
        self.putting_right = PutRight(self.outlet, record, keep=self.save, tell=self.told.append)

    def save(self, cursor: str, position: int) -> None:
        self.writer.commit(Batch(cursors={cursor: (position, 0)}))

    def copy(self, *, save: bool = True) -> list[int]:
        """Copy all there is, as the service's thread does; return which scans."""
        began = len(self.outlet.sent)
        while (after := self.putting_right.step(self.position)) != self.position:
            if after < self.position:
                self.save("copy", after)
            self.position = after
        if save:
            self.save("copy", self.position)
        return [scan.id for scan in self.outlet.sent[began:]]

    def last_times_sent(self) -> dict[int, int]:
        return {scan.id: scan.utc_ms for scan in self.outlet.sent}


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def test_scans_of_a_known_clock_go_at_once(machine: Machine) -> None:
    machine.boot(wakes=machine.true_ms + HOUR, synchronised=True)
    machine.measure(5)
    assert machine.copy() == [1, 2, 3, 4, 5]
    assert machine.outlet.sure == [True] * 5


def test_scans_before_the_clock_is_known_wait_and_go_once_with_their_right_times(
    machine: Machine,
) -> None:
    machine.boot()
    machine.measure(5)
    assert machine.copy() == []
    machine.find_the_time()
    machine.measure(2)
    assert machine.copy() == [1, 2, 3, 4, 5, 6, 7]
    assert machine.last_times_sent() == machine.right
    assert machine.outlet.sure == [True] * 7
    assert machine.told == []


def test_after_a_quarter_of_an_hour_they_go_as_they_are_and_again_once_the_clock_is_known(
    machine: Machine,
) -> None:
    machine.boot()
    machine.measure(14)
    assert machine.copy() == []
    machine.measure()
    assert machine.boottime_ms == PATIENCE_MS
    assert machine.copy() == list(range(1, 16))
    assert machine.outlet.sure == [False] * 15
    machine.measure(5)
    assert machine.copy() == list(range(16, 21))
    machine.find_the_time()
    machine.measure()
    assert machine.copy() == list(range(1, 22))
    assert machine.last_times_sent() == machine.right
    assert machine.outlet.sure[-21:] == [True] * 21
    assert machine.told == ["times have been put right: it is sent again from scan 1 on"]
    machine.measure()
    assert machine.copy() == [22]


def test_only_what_was_sent_with_a_wrong_time_goes_again(machine: Machine) -> None:
    machine.boot(wakes=machine.true_ms + HOUR, synchronised=True)
    machine.measure(10)
    machine.copy()
    machine.boot()
    machine.measure(20)
    machine.copy()
    machine.find_the_time()
    machine.measure()
    assert machine.copy() == list(range(11, 32))
    assert machine.last_times_sent() == {scan: machine.right[scan] for scan in range(11, 32)}


def test_what_waited_goes_when_another_boot_has_measured_and_only_that_one_waits(
    machine: Machine,
) -> None:
    machine.boot()
    machine.measure(5)
    machine.boot()
    assert machine.copy() == []  # the first scan may tell where the boot before it lies
    machine.measure(5)
    assert machine.copy() == [1, 2, 3, 4, 5]


@pytest.mark.parametrize("saved", [True, False])
def test_times_put_right_in_the_moment_of_a_power_cut_are_sent_after_it(
    machine: Machine, saved: bool
) -> None:
    machine.boot()
    machine.measure(20)
    machine.copy(save=saved)
    machine.find_the_time()
    machine.measure()  # places them; whoever copies does not get to see it
    machine.boot(wakes=machine.true_ms + HOUR, synchronised=True)
    machine.measure()
    machine.copy()
    assert machine.last_times_sent() == machine.right


def test_a_boot_that_never_knew_the_time_goes_again_when_the_next_one_tells_where_it_lies(
    machine: Machine,
) -> None:
    machine.boot(wakes=machine.true_ms + HOUR, synchronised=True)
    machine.measure(3)
    machine.boot()
    machine.measure(20)
    machine.copy()
    sent = machine.last_times_sent()
    machine.boot(wakes=machine.true_ms + HOUR, synchronised=True)
    machine.measure()  # before the process that copies has looked
    machine.copy()
    again = machine.last_times_sent()
    assert set(again) == set(range(4, 25))
    assert all(again[scan] > sent[scan] for scan in range(4, 24))
    assert {scan.utc_ms for scan in machine.outlet.record.scans_after(0, limit=99)} >= set(
        again.values()
    )


def test_a_second_power_cut_while_it_is_sent_again_leaves_none_out(machine: Machine) -> None:
    machine.boot()
    machine.measure(20)
    machine.copy()
    machine.find_the_time()
    machine.measure()
    machine.boot(wakes=machine.true_ms + HOUR, synchronised=True)
    position = machine.putting_right.step(machine.position)
    assert position == 0
    machine.save("copy", position)
    assert machine.putting_right.step(position) == 3  # and this is not saved any more
    machine.boot(wakes=machine.true_ms + HOUR, synchronised=True)
    assert machine.copy() == list(range(1, 22))
    assert machine.last_times_sent() == machine.right


def test_a_copy_that_stays_behind_is_not_sent_back_for_what_it_has_not_sent(
    machine: Machine,
) -> None:
    machine.boot()
    machine.measure(20)
    assert machine.putting_right.step(0) == 3
    machine.position = 3
    machine.find_the_time()
    machine.measure()
    machine.copy()
    assert [scan.id for scan in machine.outlet.sent] == [1, 2, 3, *range(1, 22)]


def test_a_record_that_can_not_be_read_is_a_forward_error(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    machine.boot()
    (tmp_path / "record.db").rename(tmp_path / "gone.db")
    with pytest.raises(ForwardError, match="there is no record at"):
        machine.putting_right.step(0)


def test_closing_closes_what_sends(machine: Machine) -> None:
    machine.boot()
    machine.putting_right.close()
    assert machine.outlet.closed
