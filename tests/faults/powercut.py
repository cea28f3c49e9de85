"""Power cuts: states the disk may be left in, built from one run, each opened and compared."""

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from random import Random

from faults.chance import drawn_from
from faults.child import NUMBER
from faults.crashstates import Disk, Entry, Operation, read_journal
from faults.known import EVERY_MS, T0, batch_of
from faults.outcome import Outcome
from faults.preload import Preload
from faults.victim import Victim
from faults.witness import Witness
from longsoak.store.files import RECORD
from longsoak.store.reader import Record
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.errors import StoreError

STATES, SHORT = 200, 8
SCANS, SHORT_SCANS = 6000, 200
RUNS, SHORT_RUNS = 4, 2  # processes one after the other, every second of which closes the record
KEPT = Path(__file__).parents[1] / "store" / "kept"
ACKS = "acks"


def campaign(*, seed: int, short: bool, careless: bool = False) -> Outcome:
    """Record what a run asks of the disk, then cut it off at random points.

    `careless` plants a loss: the writer does not wait for the disk.
    """
    chance = drawn_from("powercut", seed)
    states, scans = (SHORT, SHORT_SCANS) if short else (STATES, SCANS)
    wrong: list[str] = []
    tried = cut = unsynced = 0
    with tempfile.TemporaryDirectory(prefix="longsoak-powercut-") as place:
        for kept in (None, min(KEPT.iterdir())):
            top = Path(place) / ("migrated" if kept else "new")
            run = _Run(top, seed=seed, kept=kept)
            run.record(
                scans=scans // 2,
                runs=SHORT_RUNS if short else RUNS,
                chance=chance,
                careless=careless,
            )
            for state in run.states(states // 2, chance):
                tried += 1
                wrong += [
                    f"seed {seed}, {top.name}, {state.name}: {says}" for says in run.look(state)
                ]
            cut += len(run.operations)
            unsynced += sum(operation.entry is Entry.SYNC for operation in run.operations)
    return Outcome(
        "powercut",
        f"{tried} power cuts at random among {cut} operations on the disk ({unsynced} syncs), with"
        " any part of what was not synced applied, torn or left out",
        len(wrong),
        wrong[0]
        if wrong
        else "Each was opened again, is sound, holds every scan acknowledged before the cut bit for"
        " bit, and takes scans",
    )


class _Run:
    """One run, what it asked of the disk, and the states that may be left of it."""

    def __init__(self, top: Path, *, seed: int, kept: Path | None) -> None:
        self._seed = seed
        self._top = top
        self._start = top / "start"
        self._under = top / "disk"
        for folder in (self._start, self._under):
            folder.mkdir(parents=True)
            if kept is not None:
                shutil.copy(kept / RECORD, folder)
        self._before = Witness(seed, self._start)
        self.operations: list[Operation] = []
        self._acknowledged = 0

    def record(self, *, scans: int, runs: int, chance: Random, careless: bool) -> None:
        """Let processes write, one after the other, and note what they ask of the disk."""
        journal = self._top / "journal"
        preload = Preload(self._top, under=self._under, seed=self._seed, journal=journal)
        arguments = ("--seals-often", "--acks", str(self._under / ACKS))
        for run in range(runs):
            until = self._before.base + scans * (run + 1) // runs
            dies = run % 2 == 0
            preload.start_over(
                seed=self._seed + run, die_at=chance.randint(1, 2 * scans // runs) if dies else 0
            )
            victim = Victim(
                self._under,
                seed=self._seed,
                run=run,
                arguments=(*arguments, "--until", str(until), *(["--careless"] * careless)),
                environment=preload.environment,
            )
            code = victim.end()
            assert code == 0 or (dies and code == -9), victim.said
        preload.close()
        self.operations = read_journal(journal)

    def states(self, count: int, chance: Random) -> Iterator[Path]:
        """Folders as power cuts at `count` random moments may leave them."""
        disk = Disk(self._under, start=self._start)
        moments = sorted(chance.sample(range(1, len(self.operations)), count))
        for number, operation in enumerate(self.operations):
            if moments and number == moments[0]:
                moments.pop(0)
                self._acknowledged = acknowledged_in(disk.witnessed(self._under / ACKS))
                state = self._top / f"state at operation {number}"
                state.mkdir()
                disk.cut_off(state, chance=chance, spare=self._under / ACKS)
                if chance.random() < 0.3:  # shared memory of then: it may hold anything
                    (state / f"{RECORD}-shm").write_bytes(chance.randbytes(32768))
                yield state
                shutil.rmtree(state)
            disk.do(operation)

    def look(self, state: Path) -> list[str]:
        """Open a state as the next start would, compare it, and go on in it."""
        witness = self._before.of(state)
        try:
            number = self._go_on(state, batches=0)
            wrong = witness.complaints(self._acknowledged, thorough=number % 5 == 0)
            if not wrong:
                wrong = witness.complaints(self._go_on(state, batches=2))
        except StoreError as error:
            return [str(error)]
        return wrong

    def _go_on(self, state: Path, *, batches: int) -> int:
        """Start as the service does, and commit; return the last scan."""
        writer = RecordWriter(state, now="2030-03-17T17:46:40Z")
        try:
            number, _ = Record(state).version()
            utc_ms, boottime_ms = T0 + EVERY_MS * (number + 1), EVERY_MS * (number + 1)
            writer.accept_rig("# after the cut", utc_ms=utc_ms)
            writer.begin_run(
                boot="boot after the cut",
                software="0",
                utc_ms=utc_ms,
                boottime_ms=boottime_ms,
                synchronised=False,
            )
            for _ in range(batches):
                batch = batch_of(self._seed, number + 1)
                writer.commit(batch)
                number += len(batch.scans)
        finally:
            writer.close()
        return number


def acknowledged_in(acks: bytes) -> int:
    """The last scan acknowledged; a process may have died in the midst of a number."""
    whole = acks[: len(acks) - len(acks) % NUMBER.size]
    return max((number for (number,) in NUMBER.iter_unpack(whole)), default=0)
