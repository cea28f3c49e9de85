"""`longsoak run`: everything put together, started in order and stopped in order."""

import logging
import os
import queue
import signal
import threading
from collections.abc import Callable, Sequence
from importlib.metadata import version
from pathlib import Path
from types import FrameType

from longsoak.core.recency import verified_within_s
from longsoak.core.wording import gap_length_words, rfc3339, time_words, with_noun
from longsoak.forward.times import TimedRecord
from longsoak.rigfile.naming import check_name
from longsoak.service.backups import BackupKeeper
from longsoak.service.behind import Behind
from longsoak.service.buses import BusWorker, Pass
from longsoak.service.clock import Clock, SystemClock
from longsoak.service.dayclosing import DayClosing
from longsoak.service.disk import Disk
from longsoak.service.drivers import find_kind, load_rig
from longsoak.service.folding import Folding
from longsoak.service.garbage import take_up
from longsoak.service.healthkeeping import HealthKeeping
from longsoak.service.lookover import LookOver
from longsoak.service.makeoutlets import make_outlets, start_new_ones
from longsoak.service.manager import ServiceManager
from longsoak.service.messages import Stop
from longsoak.service.pulse import Pulse
from longsoak.service.recorder import Message, Recorder
from longsoak.service.supply import Supply
from longsoak.service.upkeep import Upkeep
from longsoak.service.verified import Verified
from longsoak.service.waking import Waking
from longsoak.service.waterkeeping import WaterKeeping
from longsoak.store.files import folder_of
from longsoak.store.inbox import Inbox
from longsoak.store.proofrequests import Closer
from longsoak.store.reader import Record
from longsoak.store.restorenote import drop_note, note_of_restore
from longsoak.store.unkept import AlarmsOnTheirWay, Unkept
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.happening import Event, RunGap
from longsoak.vocabulary.rig import Kind, Rig

_log = logging.getLogger(__name__)

TEMPERATURE_PATIENCE = 10.0  # s pins wait at the start for the temperatures that correct them
# Together well within the minute and a half that the service manager waits.
BUS_STOP = 20.0  # s all workers may take to hear out the probe they have just asked
OUTLET_STOP = 25.0  # s all outlets may take for their last attempt


def run(rig_file: Path, *, clock: Clock | None = None) -> None:
    """Measure until SIGTERM or SIGINT.

    Raises
    ------
    RigFileError
        The rig file has mistakes, or another rig's record lies beside it; nothing was started.
    StoreError
        The record can't be written; nothing was started.
    """
    clock = clock or SystemClock()
    rig, text = load_rig(rig_file)
    folder = folder_of(rig_file)
    writer = RecordWriter(folder, now=rfc3339(clock.utc_ms()))
    try:
        before = Record(folder).rig_version()
        if before is not None:
            check_name(text, kept=before.text, file=str(rig_file), folder=folder)
        _record(rig, text, rig_file=rig_file, folder=folder, writer=writer, clock=clock)
    finally:
        writer.close()


def _record(
    rig: Rig, text: str, *, rig_file: Path, folder: Path, writer: RecordWriter, clock: Clock
) -> None:
    messages: queue.SimpleQueue[Message] = queue.SimpleQueue()

    def asked(number: int, _frame: FrameType | None) -> None:
        _log.info("stopping: %s", signal.Signals(number).name)
        messages.put(Stop())  # a SimpleQueue may be put to from a signal handler

    for wanted in (signal.SIGTERM, signal.SIGINT):
        signal.signal(wanted, asked)
    number = writer.accept_rig(text, utc_ms=clock.utc_ms())
    gap = writer.begin_run(
        boot=clock.boot,
        software=version("longsoak"),
        utc_ms=clock.utc_ms(),
        boottime_ms=clock.boottime_ms(),
        synchronised=clock.synchronised(),
    )
    _log.info(
        "recording %s into %s: rig file version %d, %s on %s",
        rig.name,
        folder,
        number,
        with_noun(len(rig.probes), "probe"),
        with_noun(len(rig.buses), "bus", "buses"),
    )
    cut: str | None = None
    if gap is not None:
        says = gap_words(gap)
        _log.info("%s", says)
        writer.commit(Batch(events=[_event(clock, "gap", says)]))
        cut = None if gap.clean else says
    if (restored := note_of_restore(folder)) is not None:
        cut = None  # the copy was made of a run under way, and nothing was cut off
        _log.info("%s", restored)
        writer.commit(Batch(events=[_event(clock, "restore", restored)]))
        drop_note(folder)

    stop = threading.Event()
    manager = ServiceManager(os.environ)
    pulse = Pulse(manager, workers=lambda: workers, status=lambda: recorder.status, clock=clock)
    verified = Verified(
        folder, clock=clock, within=verified_within_s(rig), turned=lambda: pulse.turned_at
    )
    unkept = Unkept()
    outlets = make_outlets(
        rig,
        rig_file.parent,
        record=AlarmsOnTheirWay(folder, unkept),
        clock=clock,
        software=version("longsoak"),
        measured=lambda: verified.look().scan,
        put=messages.put,
    )
    start_new_ones(writer, Record(folder), outlets, utc_ms=clock.utc_ms())
    hold = _Hold(rig)
    inbox = Inbox(folder)
    summaries = writer.summaries()
    disk = Disk(writer, marks=rig.marks, rebuildable=summaries)
    folding, look_over, supply = Folding(writer), LookOver(folder), Supply()
    behind = Behind(
        outlets,
        TimedRecord(folder, boottime_ms=clock.boottime_ms),
        away=lambda name: recorder.is_away(name),
    )
    health = HealthKeeping(folder, writer, rig)
    water = None if rig.reservoir is None else WaterKeeping(folder, writer, rig)

    def another() -> None:
        start_new_ones(writer, Record(folder), outlets, utc_ms=clock.utc_ms())
        for outlet in outlets:
            outlet.begin_again()

    recorder = Recorder(
        rig,
        writer=writer,
        inbox=inbox,
        clock=clock,
        messages=messages,
        unkept=unkept,
        committed=Waking(outlets, writer, unkept),
        seen=hold.seen,
        closer=lambda wanted: _come_closer(workers, rig, wanted),
        order=lambda output, pattern: by_bus[output.bus].order(output.name, pattern),
        why_off=lambda output: by_bus[output.bus].why_off(output.name),
        another=another,
        chores=lambda: [
            Upkeep(writer.sealing(), summaries),
            DayClosing(folder, writer),
            health.begin_again(),
            *([] if water is None else [water.begin_again()]),
            disk,
            folding,
            look_over,
            supply,
            behind,
        ],
        computer=lambda: {**disk.standing(), **folding.standing(), **supply.standing()},
        doubts=health.doubts,
        water=dict if water is None else water.alarms,
        behind=behind.standing,
        suspect=look_over.suspect,
        turned=pulse.turned,
        came_round=pulse.came_round,
        cut=cut,
    )
    workers = [
        BusWorker(
            bus,
            [probe for probe in rig.probes if probe.bus == bus.name],
            find_kind(bus.driver),
            clock=clock,
            deliver=messages.put,
            stop=stop,
            hold=hold.for_bus(bus.name),
            patience=TEMPERATURE_PATIENCE,
            outputs=[output for output in rig.outputs if output.bus == bus.name],
        )
        for bus in rig.buses
    ]
    by_bus = {bus.name: worker for bus, worker in zip(rig.buses, workers, strict=True)}

    backups = (
        []
        if rig.backup is None
        else [
            BackupKeeper(
                rig.backup,
                rig_file=rig_file,
                folder=folder,
                clock=clock,
                stop=stop,
                put=messages.put,
            )
        ]
    )
    beats = _beats(
        rig, rig_file.parent, verified=verified, clock=clock, stop=stop, put=messages.put
    )
    for thread in (*workers, *outlets, *backups, *beats):
        thread.start()
    take_up()
    # Not only after the first scan: with its adapter unplugged a rig measures nothing, and must
    # alarm for as long as that lasts rather than be started anew.
    manager.tell("READY=1")

    recorder.run()

    manager.tell("STOPPING=1")
    stop.set()
    busy = _join(workers, within=BUS_STOP, clock=clock)
    recorder.drain()  # what the workers measured last; outlets may send it yet
    for outlet in outlets:
        outlet.stop()
    for name in _join([*outlets, *backups, *beats], within=OUTLET_STOP, clock=clock):
        _log.warning("%s did not end within %g s; it goes on at the next start", name, OUTLET_STOP)
    recorder.drain()  # where the cursors came to
    manager.close()
    inbox.close()
    look_over.close()
    summaries.close()
    if recorder.scans_unkept:
        lost = with_noun(recorder.scans_unkept, "scan")
        raise StoreError(
            f"stopped, but {lost} measured last could not be kept: "
            f"the disk took nothing to the end. What {folder} holds is whole; free some space."
        )
    writer.end_run(utc_ms=clock.utc_ms())
    if busy:
        _log.warning(
            "stopped; everything measured is in the record but for what %s had under way: "
            "no answer came within %g s",
            " and ".join(busy),
            BUS_STOP,
        )
    else:
        _log.info("stopped; everything measured is in the record")


def _beats(
    rig: Rig,
    beside: Path,
    *,
    verified: Verified,
    clock: Clock,
    stop: threading.Event,
    put: Callable[[Message], None],
) -> list[threading.Thread]:
    """What beats, if the rig file asks for it."""
    if rig.heartbeat is None:
        return []
    from longsoak.service.heartbeat import HeartbeatWorker  # with all that speaks HTTP

    return [
        HeartbeatWorker(
            rig.heartbeat, beside=beside, verified=verified, clock=clock, stop=stop, put=put
        )
    ]


def _event(clock: Clock, kind: str, says: str) -> Event:
    return Event(clock.utc_ms(), kind, "record", says, clock.boottime_ms())


def _come_closer(workers: Sequence[BusWorker], rig: Rig, wanted: Closer) -> None:
    """Tell each bus which of its probes are to be polled closer."""
    for worker, bus in zip(workers, rig.buses, strict=True):
        here = [p.name for p in rig.probes if p.bus == bus.name and p.name in wanted.probes]
        if here:
            worker.closer(here, every=wanted.every, seconds=wanted.seconds)


def _join(threads: Sequence[threading.Thread], *, within: float, clock: Clock) -> list[str]:
    """Wait for all of them together; return the names of those that have not ended."""
    until = clock.monotonic() + within
    for thread in threads:
        thread.join(max(0.0, until - clock.monotonic()))
    return [thread.name for thread in threads if thread.is_alive()]


def gap_words(gap: RunGap) -> str:
    """A gap as one sentence."""
    why = "it was stopped on purpose" if gap.clean else "the run before was cut off"
    return f"no readings for {gap_length_words(gap)}, since {time_words(gap.from_utc_ms)}: {why}"


class _Hold:
    """Lets the pins of a bus wait at the start until their temperatures have been measured once."""

    def __init__(self, rig: Rig) -> None:
        here = {probe.name: probe.bus for probe in rig.probes}
        self._missing = {
            bus.name: {
                name
                for probe in rig.probes
                if probe.bus == bus.name and probe.kind is Kind.PINS
                for name in probe.temperatures
                if here[name] != bus.name
            }
            for bus in rig.buses
        }
        self._events = {name: threading.Event() for name in self._missing}
        for name, missing in self._missing.items():
            if not missing:
                self._events[name].set()

    def for_bus(self, name: str) -> threading.Event:
        """What the bus waits for."""
        return self._events[name]

    def seen(self, taken: Pass) -> None:
        """Note a pass that is converted."""
        asked = {sample.probe for sample in taken.samples}
        for name, missing in self._missing.items():
            missing -= asked
            if not missing:
                self._events[name].set()
