"""`longsoak run`: everything put together, started in order and stopped in order."""

import logging
import os
import queue
import signal
from importlib.metadata import version
from pathlib import Path
from types import FrameType

from longsoak.core.rigchanges import changes_words
from longsoak.core.wording import gap_length_words, rfc3339, time_words, with_noun
from longsoak.rigfile.naming import check_name
from longsoak.service.buses import Pass
from longsoak.service.clock import Clock, SystemClock
from longsoak.service.drivers import load_rig
from longsoak.service.folding import Folding
from longsoak.service.garbage import look_through, take_up
from longsoak.service.lookover import LookOver
from longsoak.service.manager import ServiceManager
from longsoak.service.messages import Reload, Stop
from longsoak.service.pulse import Pulse
from longsoak.service.recorder import Message
from longsoak.service.reloading import Ready, Reloading, Version
from longsoak.service.stage import BUS_STOP, Lasting, Stage
from longsoak.service.supply import Supply
from longsoak.store.files import folder_of
from longsoak.store.inbox import Inbox
from longsoak.store.reader import Record
from longsoak.store.restorenote import drop_note, note_of_restore
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.errors import LongsoakError, StoreError
from longsoak.vocabulary.happening import Event, RunGap
from longsoak.vocabulary.rig import Rig

_log = logging.getLogger(__name__)


def run(rig_file: Path, *, clock: Clock | None = None) -> None:
    """Measure until SIGTERM or SIGINT; SIGHUP takes up a rig file that has changed.

    Raises
    ------
    RigFileError
        The rig file has mistakes, or another rig's record lies beside it; nothing was started.
    StoreError
        The record can't be written; nothing was started.
    """
    clock = clock or SystemClock()
    messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
    _hear_hangups(messages)  # first: until somebody does, one ends the process
    rig, text = load_rig(rig_file)
    folder = folder_of(rig_file)
    writer = RecordWriter(folder, now=rfc3339(clock.utc_ms()))
    try:
        before = Record(folder).rig_version()
        if before is not None:
            check_name(text, kept=before.text, file=str(rig_file), folder=folder)
        _record(
            rig,
            text,
            rig_file=rig_file,
            folder=folder,
            writer=writer,
            clock=clock,
            messages=messages,
        )
    finally:
        writer.close()


def _hear_hangups(messages: "queue.SimpleQueue[Message]") -> None:
    """Let SIGHUP ask for the rig file, or end all in order where it tells of a terminal gone."""
    if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:  # as `nohup` has it
        return
    at_a_terminal = os.isatty(0)

    def asked(_number: int, _frame: FrameType | None) -> None:
        gone = at_a_terminal and not os.isatty(0)
        messages.put(Stop() if gone else Reload())

    signal.signal(signal.SIGHUP, asked)


def _record(
    rig: Rig,
    text: str,
    *,
    rig_file: Path,
    folder: Path,
    writer: RecordWriter,
    clock: Clock,
    messages: "queue.SimpleQueue[Message]",
) -> None:
    def asked(number: int, _frame: FrameType | None) -> None:
        _log.info("stopping: %s", signal.Signals(number).name)
        messages.put(Stop())  # a SimpleQueue may be put to from a signal handler

    for wanted in (signal.SIGTERM, signal.SIGINT):
        signal.signal(wanted, asked)
    since_ms, since_boottime_ms = clock.utc_ms(), clock.boottime_ms()
    number = writer.accept_rig(text, utc_ms=since_ms)
    cut = _begin_run(writer, clock=clock, rig=rig, number=number)

    manager = ServiceManager(os.environ)
    lasting = Lasting(
        rig_file=rig_file,
        folder=folder,
        clock=clock,
        writer=writer,
        messages=messages,
        inbox=Inbox(folder),
        summaries=writer.summaries(),
        folding=Folding(writer),
        look_over=LookOver(folder),
        supply=Supply(),
        pulse=Pulse(
            manager,
            workers=lambda: stage.workers,
            status=lambda: stage.recorder.status,
            clock=clock,
        ),
        reloading=Reloading(
            rig_file,
            folder=folder,
            now=Version(rig, text, number),
            manager=manager,
            clock=clock,
            put=messages.put,
        ),
        since_ms=since_ms,
        since_boottime_ms=since_boottime_ms,
    )
    stage = Stage(rig, lasting, cut=cut)
    stage.start()
    take_up()
    # Not only after the first scan: with its adapter unplugged a rig measures nothing, and must
    # alarm for as long as that lasts rather than be started anew.
    manager.tell("READY=1")

    while not stage.recorder.stopped:
        stage.recorder.run()
        if not stage.recorder.stopped and (ready := lasting.reloading.ready) is not None:
            stage = _taken_up(ready, stage, lasting)

    manager.tell("STOPPING=1")
    busy = stage.stop()
    manager.close()
    lasting.inbox.close()
    lasting.look_over.close()
    lasting.summaries.close()
    if stage.recorder.scans_unkept:
        lost = with_noun(stage.recorder.scans_unkept, "scan")
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


def _begin_run(writer: RecordWriter, *, clock: Clock, rig: Rig, number: int) -> str | None:
    """Open a run and tell of what was before it; how that ended, if nobody asked for it."""
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
        writer.folder,
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
    if (restored := note_of_restore(writer.folder)) is not None:
        cut = None  # the copy was made of a run under way, and nothing was cut off
        _log.info("%s", restored)
        writer.commit(Batch(events=[_event(clock, "restore", restored)]))
        drop_note(writer.folder)
    return cut


def _taken_up(ready: Ready, old: Stage, lasting: Lasting) -> Stage:
    """Measure under another version of the rig file; the stage that goes on, be it the old one.

    The record's writer keeps its lock all along, and the run goes on: nobody else can take the
    record, and a cut in the midst of this is told like any other. The old recorder measures on
    while outlets make their last attempt, which may take long; only then do the buses stop.
    """
    reloading = lasting.reloading
    says = changes_words(old.rig, ready.rig)
    if ready.rig == old.rig:  # a comment, or the order of things: nothing has to be stopped
        number = _accepted(ready.text, lasting)
        if number is not None:
            reloading.taken_up(Version(ready.rig, ready.text, number), says)
        return old
    _log.info("the changed rig file is right, and is being taken up: %s", says)
    if old.end_outlets(after=ready.rig, turn=old.recorder.turn):
        return old  # somebody said stop; whoever asked is answered at the next start
    if (why := old.recorder.why_not_now()) is not None:
        old.start_outlets_again()
        reloading.refuse(why)
        return old
    for name in old.end_buses():
        _log.warning("%s did not end within %g s; it is left to itself", name, BUS_STOP)
    old.recorder.drain()
    if old.recorder.stopped:
        return old
    if old.recorder.holds:
        old.start_again()
        reloading.refuse(
            "the record took not all that was measured. See to the disk, and ask again"
        )
        return old
    new: Stage | None = None
    try:
        new = Stage(ready.rig, lasting, before=old)
        new.start()
        # Last: a version that nothing was measured under must not stand in the record. What its
        # threads bring waits meanwhile.
        number = lasting.writer.accept_rig(ready.text, utc_ms=lasting.clock.utc_ms())
    except Exception as error:  # whatever it is, the old version is known to work
        if not isinstance(error, LongsoakError):
            _log.exception("the new version could not be begun with")
        _back(old, new, lasting)
        reloading.refuse(f"it could not be begun with: {_words(error)}")
        return old
    old.end_backups(but=new)
    reloading.taken_up(Version(ready.rig, ready.text, number), says)
    look_through()  # the old one is garbage now
    return new


def _back(old: Stage, new: Stage | None, lasting: Lasting) -> None:
    """Go on with the old version after the new one could not be begun with."""
    if new is not None:
        new.end_backups(but=old)
        new.end_buses()
        _drop_passes(lasting.messages)
        new.end_outlets(after=old.rig, turn=old.recorder.turn)
    old.start_again()


def _drop_passes(messages: "queue.SimpleQueue[Message]") -> None:
    """Leave out what was measured under a version that never counted."""
    waiting = [messages.get_nowait() for _ in range(messages.qsize())]
    for message in waiting:
        if not isinstance(message, Pass):
            messages.put(message)


def _accepted(text: str, lasting: Lasting) -> int | None:
    """The number of a version that is kept now; None where the disk refuses, which is told."""
    try:
        return lasting.writer.accept_rig(text, utc_ms=lasting.clock.utc_ms())
    except StoreError as error:
        lasting.reloading.refuse(str(error))
        return None


def _words(error: Exception) -> str:
    return str(error) if isinstance(error, LongsoakError) else f"{error!r}. Please report it"


def _event(clock: Clock, kind: str, says: str) -> Event:
    return Event(clock.utc_ms(), kind, "record", says, clock.boottime_ms())


def gap_words(gap: RunGap) -> str:
    """A gap as one sentence."""
    why = "it was stopped on purpose" if gap.clean else "the run before was cut off"
    return f"no readings for {gap_length_words(gap)}, since {time_words(gap.from_utc_ms)}: {why}"
