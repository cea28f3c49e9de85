"""Power cuts while a damaged record is set aside and a new one begun in its place."""

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from random import Random

from faults.chance import drawn_from
from faults.child import NUMBER
from faults.crashstates import Disk, Entry, Operation, read_journal
from faults.outcome import Outcome
from faults.powercut import ACKS, acknowledged_in
from faults.preload import Preload
from faults.victim import Victim
from faults.witness import Witness
from longsoak.store.files import RECORD
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.errors import StoreError

RECORDS = 4
STATES, SHORT = 400, 8
SCANS = 60  # after the damage
DIES = 500, 3000  # the operations before the damage, in one of which the process dies
SPOIL = """
import os, sys
for name in ("record.db", "record.db-wal", "."):
    file = os.open(os.path.join(sys.argv[1], name), os.O_RDONLY if name == "." else os.O_RDWR)
    if name != ".":  # the log too, or it would mend the record
        os.pwrite(file, bytes(16), 0)
    os.fsync(file)
"""


def campaign(*, seed: int, short: bool) -> Outcome:
    """Record a run over the damage, cut it off at random points after it, and start again."""
    chance = drawn_from("aside", seed)
    tried = asked = moves = 0
    wrong: list[str] = []
    with tempfile.TemporaryDirectory(prefix="longsoak-aside-") as place:
        for number in range(1 if short else RECORDS):
            run = SetAside(Path(place) / str(number), seed=seed + number, chance=chance)
            for state in run.states(SHORT if short else STATES // RECORDS, chance):
                tried += 1
                wrong += [f"seed {seed + number}, {state.name}: {says}" for says in run.look(state)]
            asked += len(run.after)
            moves += sum(operation.entry is Entry.RENAME for operation in run.after)
    return Outcome(
        "aside",
        f"{tried} power cuts at random among {asked} operations ({moves} moves of files) from the "
        "damage on",
        len(wrong),
        wrong[0]
        if wrong
        else "Each time the damaged record and its log lay there in the end as the damage had left "
        "them, and the new record held what was acknowledged since",
    )


class SetAside:
    """A record that is damaged while nobody has it open, and the start after that."""

    def __init__(self, top: Path, *, seed: int, chance: Random) -> None:
        self._top = top
        self._seed = seed
        self._acknowledged = 0
        self._under = top / "disk"
        self._under.mkdir(parents=True)
        journal = top / "journal"
        self._preload = Preload(top, under=self._under, seed=seed, journal=journal)
        self._write(0, die_at=chance.randrange(*DIES))
        spoil = [sys.executable, "-c", SPOIL, str(self._under)]
        subprocess.run(spoil, env=self._preload.environment, check=True)
        self._damaged = {end: (self._under / f"{RECORD}{end}").read_bytes() for end in ("", "-wal")}
        self._at = len(read_journal(journal))
        self._write(1, die_at=0)
        self._preload.close()
        self._operations = read_journal(journal)

    @property
    def after(self) -> list[Operation]:
        """What was asked of the disk from the damage on."""
        return self._operations[self._at :]

    def states(self, count: int, chance: Random) -> Iterator[Path]:
        """Folders as power cuts may leave them."""
        disk = Disk(self._under)
        moments = set(chance.sample(range(len(self.after)), min(count, len(self.after))))
        before = 0
        for number, operation in enumerate(self._operations):
            if number == self._at:
                before = len(disk.witnessed(self._under / ACKS)) // NUMBER.size * NUMBER.size
            if number - self._at in moments:
                acks = disk.witnessed(self._under / ACKS)[before:]
                self._acknowledged = acknowledged_in(acks)
                state = self._top / f"state at operation {number}"
                state.mkdir()
                disk.cut_off(state, chance=chance, spare=self._under / ACKS)
                yield state
                shutil.rmtree(state)
            disk.do(operation)

    def look(self, state: Path) -> list[str]:
        """Start as the service does; what is not there that must be."""
        try:
            for _ in range(2):  # the first start may be cut off as well
                RecordWriter(state, now="2030-03-17T17:46:40Z").close()
            wrong = self._of_the_damaged(state)
            witness = Witness(self._seed, self._top / "nothing").of(state)
            witness.after_another = True
            wrong += witness.complaints(self._acknowledged)
        except StoreError as error:
            return [str(error)]
        return wrong

    def _of_the_damaged(self, state: Path) -> list[str]:
        wrong = []
        for end, content in self._damaged.items():
            there = [path.read_bytes() for path in state.glob(f"{RECORD}.damaged-*{end}")]
            if content not in there:
                wrong.append(f"{RECORD}{end}, {len(content)} bytes, was not set aside as it was")
        return wrong

    def _write(self, run: int, *, die_at: int) -> None:
        self._preload.start_over(seed=self._seed, die_at=die_at)
        victim = Victim(
            self._under,
            seed=self._seed,
            run=run,
            arguments=(
                "--until",
                str(SCANS if run else 1 << 40),
                "--acks",
                str(self._under / ACKS),
            ),
            environment=self._preload.environment,
        )
        code = victim.end()
        assert code == (-9 if die_at else 0), victim.said
