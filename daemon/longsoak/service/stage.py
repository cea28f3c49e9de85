"""Measuring under one version of the rig file: its recorder, and all threads that serve it.

`longsoak.service.run` puts one in another's place when the file changes. What does not hang on the
rig file outlives it: the record's writer, the queue, the inbox.
"""

import logging
import queue
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from longsoak.core.recency import verified_within_s
from longsoak.forward.times import TimedRecord
from longsoak.service.backups import BackupKeeper
from longsoak.service.behind import Behind
from longsoak.service.buses import BusWorker
from longsoak.service.clock import Clock
from longsoak.service.dayclosing import DayClosing
from longsoak.service.disk import Disk
from longsoak.service.drivers import find_kind
from longsoak.service.folding import Folding
from longsoak.service.healthkeeping import HealthKeeping
from longsoak.service.hold import Hold
from longsoak.service.lookover import LookOver
from longsoak.service.makeoutlets import make_outlets, start_new_ones
from longsoak.service.outlets import OutletWorker
from longsoak.service.pulse import Pulse
from longsoak.service.recorder import Message, Recorder
from longsoak.service.reloading import Reloading
from longsoak.service.supply import Supply
from longsoak.service.upkeep import Upkeep
from longsoak.service.verified import Verified
from longsoak.service.waking import Waking
from longsoak.service.waterkeeping import WaterKeeping
from longsoak.store.inbox import Inbox
from longsoak.store.proofrequests import Closer
from longsoak.store.reader import Record
from longsoak.store.summaries import Summaries
from longsoak.store.unkept import AlarmsOnTheirWay, Unkept
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.rig import Rig

_log = logging.getLogger(__name__)

TEMPERATURE_PATIENCE = 10.0  # s pins wait at the start for the temperatures that correct them
# Together well within the minute and a half that the service manager waits.
BUS_STOP = 20.0  # s all workers may take to hear out the probe they have just asked
OUTLET_STOP = 25.0  # s all outlets may take for their last attempt
_SLICE = 1.0  # s between two signs of life while threads end


@dataclass(frozen=True, slots=True)
class Lasting:
    """What outlives a version of the rig file."""

    rig_file: Path
    folder: Path
    clock: Clock
    writer: RecordWriter
    messages: "queue.SimpleQueue[Message]"
    inbox: Inbox
    summaries: Summaries
    folding: Folding
    look_over: LookOver
    supply: Supply
    pulse: Pulse
    reloading: Reloading
    since_ms: int
    since_boottime_ms: int


class _Post:
    """The way from threads to the recorder, until somebody else takes their place."""

    def __init__(self, messages: "queue.SimpleQueue[Message]") -> None:
        self._messages = messages
        self._lock = threading.Lock()
        self._open = True

    def put(self, message: Message) -> None:
        with self._lock:
            if self._open:
                self._messages.put(message)

    def shut(self) -> None:
        """Take nothing more: whoever hangs speaks of a rig that is no more."""
        with self._lock:
            self._open = False


def _place_of_state(rig: Rig) -> tuple[str, int, str] | None:
    """Where a rig tells its state: broker, port, prefix."""
    return None if rig.mqtt is None else (rig.mqtt.host, rig.mqtt.port, rig.mqtt.prefix)


class Stage:
    """Everything that is made of a rig.

    Parameters
    ----------
    rig : Rig
        As checked.
    lasting : Lasting
        What it shares with the stage before and after it.
    cut : str or None
        What is told of the end of the run before, if nobody asked for it.
    before : Stage or None
        The one whose place it takes. A backup under way goes on if it is to be made as before.
    """

    def __init__(
        self,
        rig: Rig,
        lasting: Lasting,
        *,
        cut: str | None = None,
        before: "Stage | None" = None,
    ) -> None:
        self.rig = rig
        self._lasting = lasting
        writer, folder, clock = lasting.writer, lasting.folder, lasting.clock
        self._unkept = Unkept()
        self._verified = Verified(
            folder,
            clock=clock,
            within=verified_within_s(rig),
            since_ms=lasting.since_boottime_ms,
            turned=lambda: lasting.pulse.turned_at,
        )
        self._outlets: list[OutletWorker] = []  # the same list for as long as it lasts
        self._beats: list[threading.Thread] = []
        self.workers: list[BusWorker] = []
        self._make_outlets()
        self._make_workers()
        self.backups: list[BackupKeeper] = []
        self.backup_stop = threading.Event()
        if before is not None and before.rig.backup == rig.backup:
            self.backups, self.backup_stop = before.backups, before.backup_stop
        elif rig.backup is not None:
            self.backups = [
                BackupKeeper(
                    rig.backup,
                    rig_file=lasting.rig_file,
                    folder=folder,
                    clock=clock,
                    stop=self.backup_stop,
                    put=lasting.messages.put,
                )
            ]
        disk = Disk(writer, marks=rig.marks, rebuildable=lasting.summaries)
        behind = Behind(
            self._outlets,
            TimedRecord(folder, boottime_ms=clock.boottime_ms),
            away=lambda name: self.recorder.is_away(name),
        )
        health = HealthKeeping(folder, writer, rig)
        water = None if rig.reservoir is None else WaterKeeping(folder, writer, rig)
        if before is not None:
            writer.set_aside = None  # the one before has told of it
        self.recorder = Recorder(
            rig,
            writer=writer,
            inbox=lasting.inbox,
            clock=clock,
            messages=lasting.messages,
            unkept=self._unkept,
            committed=Waking(self._outlets, writer, self._unkept),
            seen=lambda taken: self._hold.seen(taken),
            closer=self._come_closer,
            order=lambda output, pattern: self._by_bus[output.bus].order(output.name, pattern),
            why_off=lambda output: self._by_bus[output.bus].why_off(output.name),
            another=self._another_record,
            chores=lambda: [
                Upkeep(writer.sealing(), lasting.summaries),
                DayClosing(folder, writer),
                health.begin_again(),
                *([] if water is None else [water.begin_again()]),
                disk,
                lasting.folding,
                lasting.look_over,
                lasting.supply,
                behind,
            ],
            computer=lambda: {
                **disk.standing(),
                **lasting.folding.standing(),
                **lasting.supply.standing(),
            },
            doubts=health.doubts,
            water=dict if water is None else water.alarms,
            behind=behind.standing,
            suspect=lasting.look_over.suspect,
            turned=lasting.pulse.turned,
            came_round=lasting.pulse.came_round,
            cut=cut,
            reloading=lasting.reloading,
        )
        if before is not None:  # or pins would wait for thermometers that are slow
            self._hold.known(self.recorder.go_on_from(before.recorder.remembered))

    def start(self) -> None:
        """Start every thread.

        Raises
        ------
        StoreError
            The record refuses to keep where new outlets begin.
        """
        self._start_new_outlets()
        backups = [backup for backup in self.backups if not backup.is_alive()]
        for thread in (*self.workers, *self._outlets, *backups, *self._beats):
            thread.start()

    def start_outlets_again(self) -> None:
        """Begin anew with outlets that were ended."""
        self._make_outlets()
        for thread in (*self._outlets, *self._beats):
            thread.start()

    def start_again(self) -> None:
        """Begin anew, with the recorder as it is, after all threads were ended."""
        self._make_workers()
        for worker in self.workers:
            worker.start()
        self.start_outlets_again()

    def end_outlets(self, *, after: Rig, turn: Callable[[], bool]) -> bool:
        """End the outlets while measuring goes on; true if `turn` said stop meanwhile.

        A broker that the rig `after` this one tells its state too, at the same place, hears of no
        end.
        """
        self._goes_on = _place_of_state(after) == _place_of_state(self.rig)
        until = self._lasting.clock.monotonic() + OUTLET_STOP
        self._ask_outlets_to_end()
        while any(thread.is_alive() for thread in (*self._outlets, *self._beats)):
            if turn():
                self._goes_on = False  # for those that have not closed yet
                return True
            if self._lasting.clock.monotonic() > until:
                _log.warning("outlets did not end within %g s; some may send twice", OUTLET_STOP)
                break
        self._post_of_outlets.shut()
        return False

    def end_buses(self) -> list[str]:
        """End the workers of the buses; return the names of those that hang."""
        self._bus_stop.set()
        busy = self._join(self.workers, within=BUS_STOP)
        self._post_of_buses.shut()
        return busy

    def end_backups(self, *, but: "Stage") -> None:
        """End backups that `but` does not go on with; nobody waits for them."""
        if self.backups is not but.backups:
            self.backup_stop.set()

    def stop(self) -> list[str]:
        """End all of it for good; return the names of the buses that hang."""
        self.backup_stop.set()
        self._beat_stop.set()
        self._bus_stop.set()
        busy = self._join(self.workers, within=BUS_STOP)
        self.recorder.drain()  # what the workers measured last; outlets may send it yet
        if self._left_open:  # told in the midst of a reload, whose outlets ended as if it went on
            self.start_outlets_again()
        self._ask_outlets_to_end()
        others = (*self._outlets, *self.backups, *self._beats)
        for name in self._join(others, within=OUTLET_STOP):
            _log.warning(
                "%s did not end within %g s; it goes on at the next start", name, OUTLET_STOP
            )
        self.recorder.drain()  # where the cursors came to
        return busy

    def _ends(self) -> bool:
        """Whether outlets that close are to tell of an end; asked by the one that closes."""
        self._left_open = self._goes_on
        return not self._goes_on

    def _ask_outlets_to_end(self) -> None:
        self._beat_stop.set()
        for outlet in self._outlets:
            outlet.stop()

    def _make_outlets(self) -> None:
        lasting, rig = self._lasting, self.rig
        self._goes_on = self._left_open = False
        self._beat_stop = threading.Event()
        self._post_of_outlets = post = _Post(lasting.messages)
        self._outlets[:] = make_outlets(
            rig,
            lasting.rig_file.parent,
            record=AlarmsOnTheirWay(lasting.folder, self._unkept),
            clock=lasting.clock,
            software=version("longsoak"),
            since_ms=lasting.since_ms,
            measured=lambda: self._verified.look().scan,
            put=post.put,
            ends=self._ends,
        )
        self._beats[:] = self._make_beats(post)

    def _make_beats(self, post: _Post) -> list[threading.Thread]:
        """What beats, if the rig file asks for it."""
        lasting, rig = self._lasting, self.rig
        if rig.heartbeat is None:
            return []
        from longsoak.service.heartbeat import HeartbeatWorker  # with all that speaks HTTP

        return [
            HeartbeatWorker(
                rig.heartbeat,
                beside=lasting.rig_file.parent,
                verified=self._verified,
                clock=lasting.clock,
                stop=self._beat_stop,
                put=post.put,
            )
        ]

    def _make_workers(self) -> None:
        lasting, rig = self._lasting, self.rig
        self._bus_stop = threading.Event()
        self._post_of_buses = post = _Post(lasting.messages)
        self._hold = hold = Hold(rig)
        self.workers[:] = [
            BusWorker(
                bus,
                [probe for probe in rig.probes if probe.bus == bus.name],
                find_kind(bus.driver),
                clock=lasting.clock,
                deliver=post.put,
                stop=self._bus_stop,
                hold=hold.for_bus(bus.name),
                patience=TEMPERATURE_PATIENCE,
                outputs=[output for output in rig.outputs if output.bus == bus.name],
            )
            for bus in rig.buses
        ]
        self._by_bus = {bus.name: w for bus, w in zip(rig.buses, self.workers, strict=True)}

    def _start_new_outlets(self) -> None:
        lasting = self._lasting
        now_ms = lasting.clock.utc_ms()
        start_new_ones(lasting.writer, Record(lasting.folder), self._outlets, utc_ms=now_ms)

    def _another_record(self) -> None:
        self._start_new_outlets()
        for outlet in self._outlets:
            outlet.begin_again()

    def _come_closer(self, wanted: Closer) -> None:
        """Tell each bus which of its probes are to be polled closer."""
        for worker, bus in zip(self.workers, self.rig.buses, strict=True):
            here = [p.name for p in self.rig.probes if p.bus == bus.name]
            if asked := [name for name in here if name in wanted.probes]:
                worker.closer(asked, every=wanted.every, seconds=wanted.seconds)

    def _join(self, threads: Sequence[threading.Thread], *, within: float) -> list[str]:
        """Wait for all of them together; return the names of those that have not ended."""
        clock = self._lasting.clock
        until = clock.monotonic() + within
        for thread in threads:
            while thread.is_alive() and (left := until - clock.monotonic()) > 0:
                thread.join(min(left, _SLICE))
                self._lasting.pulse.turned()
        return [thread.name for thread in threads if thread.is_alive()]
