"""A simulated rig recorded by the shipped path: recorder, alarms, store and chores, all real."""

import queue
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random

from faults.waterworld.rigtext import PERIODS, rig_text
from faults.waterworld.script import Script
from faults.waterworld.sensors import AIR_BUS, TRAY_BUS, WOOD_BUS, Raw
from longsoak.core.wording import rfc3339
from longsoak.rigfile.load import parse
from longsoak.service.buses import Pass
from longsoak.service.chores import Chore
from longsoak.service.dayclosing import DayClosing
from longsoak.service.drivers import find_kind
from longsoak.service.folding import Folding
from longsoak.service.healthkeeping import HealthKeeping
from longsoak.service.recorder import Message, Recorder
from longsoak.service.upkeep import Upkeep
from longsoak.service.waterkeeping import WaterKeeping
from longsoak.store.inbox import Inbox
from longsoak.store.logbookrequests import ask_to_write
from longsoak.store.unkept import Unkept
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.logbook import LogbookEntry
from longsoak.vocabulary.sample import Absence, Missing, Sample

START_MS = 1_900_000_000_000
BOOTS = 40.0  # s
SYNCHRONISES = 300.0  # s after a boot
AT_ONCE = 240  # passes in one commit at most, or the year would take hours of fsync
TURNS_EVERY = 3600.0  # s


@dataclass
class Clock:
    """The board's clocks, set by whoever drives it.

    `true` is s since the start, `booted` when this boot began, `wrong_ms` what the wall clock is
    off by until it is synchronised.
    """

    boot: str
    true: float
    booted: float
    wrong_ms: int = 0

    def utc_ms(self) -> int:
        """Wall clock."""
        wrong = 0 if self.synchronised() else self.wrong_ms
        return START_MS + round(self.true * 1000) + wrong

    def boottime_ms(self) -> int:
        """CLOCK_BOOTTIME."""
        return round((self.true - self.booted) * 1000)

    def monotonic(self) -> float:
        """CLOCK_MONOTONIC."""
        return self.true - self.booted

    def synchronised(self) -> bool:
        """Whether the kernel believes its wall clock."""
        return self.true - self.booted >= SYNCHRONISES


class Due:
    """Does what is due to its end: between two passes there is time for all of it."""

    def __init__(self, chores: Sequence[Chore]) -> None:
        self._chores = chores
        self._due = [0.0] * len(chores)

    def do(self, *, now: float, utc_ms: int) -> None:
        """Do all that is due by now."""
        for number, chore in enumerate(self._chores):
            while self._due[number] <= now:
                again, _ = chore.do(now=now, utc_ms=utc_ms)
                if again > 0:
                    self._due[number] = now + again


class Recording:
    """`longsoak run` on a board, from one boot to the next power cut."""

    def __init__(self, folder: Path, text: str, clock: Clock) -> None:
        self.clock = clock
        self._folder = folder
        rig = parse(text, file="rig.toml", find_kind=find_kind)
        self._writer = RecordWriter(folder, now=rfc3339(clock.utc_ms()))
        self._writer.accept_rig(text, utc_ms=clock.utc_ms())
        self._writer.begin_run(
            boot=clock.boot,
            software="0",
            utc_ms=clock.utc_ms(),
            boottime_ms=clock.boottime_ms(),
            synchronised=clock.synchronised(),
        )
        self._messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
        self._inbox, self._summaries = Inbox(folder), self._writer.summaries()
        health = HealthKeeping(folder, self._writer, rig)
        water = WaterKeeping(folder, self._writer, rig)
        self._recorder = Recorder(
            rig,
            writer=self._writer,
            inbox=self._inbox,
            clock=clock,
            messages=self._messages,
            unkept=Unkept(),
            committed=lambda: None,
            seen=lambda taken: None,
            closer=lambda wanted: None,
            doubts=health.doubts,
            water=water.alarms,
        )
        self._due = Due(
            [
                Upkeep(self._writer.sealing(), self._summaries),
                DayClosing(folder, self._writer),
                health,
                water,
                Folding(self._writer),
            ]
        )
        self._next_turn = clock.true + TURNS_EVERY

    def look(self, bus: str, seen: Iterable[Raw]) -> None:
        """Bring a pass of a bus."""
        samples = [
            Missing(probe, Absence.NO_ANSWER, "nothing came")
            if value is None
            else Sample(probe, value, unit)
            for probe, value, unit in seen
        ]
        self._messages.put(Pass(bus, samples, self.clock.monotonic(), None, None))

    def write(self, says: str) -> None:
        """Have somebody write into the logbook."""
        now = self.clock.utc_ms()
        entry = LogbookEntry(asked_utc_ms=now, at_utc_ms=now, by="keeper", says=says)
        ask_to_write(self._folder, entry)

    def turn(self) -> None:
        """Let the recorder take what came, if it is time."""
        if self._messages.qsize() >= AT_ONCE or self.clock.true >= self._next_turn:
            self._next_turn = self.clock.true + TURNS_EVERY
            self._turn()
            self._due.do(now=self.clock.monotonic(), utc_ms=self.clock.utc_ms())

    def _turn(self) -> None:
        if not self._messages.empty():
            self._recorder.turn()

    def cut(self) -> None:
        """The power goes: nobody ends anything in good order."""
        self._turn()
        self._summaries.close()
        self._inbox.close()
        self._writer.close()


def record(script: Script, folder: Path, *, seed: int, more: str = "") -> int:
    """Live through a script and record all of it in `folder`.

    Parameters
    ----------
    script : Script
        Not lived through yet.
    folder : Path
        For the record.
    seed : int
        Of what the board's clock does after a power cut.
    more : str
        Ends the rig file.

    Returns
    -------
    int
        How many entries were written into the logbook.
    """
    chance = Random(f"clock {seed}")  # noqa: S311 - a clock, not secrets
    text = rig_text(script.world.shape) + more
    clock = Clock("boot 0", 0.0, -600.0)
    recording: Recording | None = Recording(folder, text, clock)
    boots, written, next_look, down, up_at = 0, 0, dict.fromkeys(PERIODS, 0.0), 0.0, 0.0
    for now in script.lived():
        if not script.world.mains:
            if recording is not None:
                recording.cut()
                recording, down = None, now
            up_at = now + BOOTS
            continue
        if recording is None:
            if now < up_at:
                continue
            boots += 1
            # A board without a clock battery goes on from the time it last wrote down.
            wrong = -round((now - down) * 1000) if chance.random() < 0.5 else 0
            clock = Clock(f"boot {boots}", now, now - BOOTS, wrong)
            recording = Recording(folder, text, clock)
            next_look = dict.fromkeys(PERIODS, now)
        clock.true = now
        recording.look(TRAY_BUS, script.sensors.tray())
        for bus, seen in ((AIR_BUS, script.sensors.air), (WOOD_BUS, script.sensors.wood)):
            if now >= next_look[bus]:
                next_look[bus] = now + PERIODS[bus]
                recording.look(bus, seen())
        for says in script.notes:
            recording.write(says)
        written += len(script.notes)
        script.notes.clear()
        recording.turn()
    if recording is not None:
        recording.cut()
    return written
