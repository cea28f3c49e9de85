"""A disk that is full: limited file sizes, a small file system, and writes that are cut short."""

import errno
import os
import resource
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Protocol

from faults.chance import drawn_from
from faults.outcome import Outcome
from faults.preload import Kind, Preload
from faults.victim import Victim
from faults.witness import Witness
from longsoak.store.files import RECORD

ROUNDS, SHORT = 150, 3
PER_RECORD = 10
LONGEST_SQUEEZE = 0.2  # s
GOES_ON = 20  # scans that must come once there is room
TMPFS_MB = 24


class Squeeze(Protocol):
    """A way for a disk to be full; `environment` is the child's."""

    says: str
    environment: dict[str, str]

    def tighten(self, victim: Victim, chance: Random) -> None:
        """Leave little room or none."""
        ...

    def loosen(self, victim: Victim) -> None:
        """Give room again."""
        ...

    def start_over(self, *, seed: int) -> None:
        """The next child comes."""
        ...


@dataclass(slots=True)
class _Tally:
    rounds: int = 0
    refused: int = 0
    not_opened: int = 0
    scans: int = 0


def campaign(*, seed: int, short: bool) -> Outcome:
    """Fill the disk under a process that writes, make room again, and look what it kept."""
    chance = drawn_from("full", seed)
    rounds = SHORT if short else ROUNDS
    tally, wrong = _Tally(), list[str]()
    few = max(1, min(PER_RECORD, rounds // 3))
    skipped = "" if can_mount() else " (a small file system: not tried, it takes root to mount one)"
    ways = [a_limit, short_writes, *([] if skipped else [a_small_file_system])]
    with tempfile.TemporaryDirectory(prefix="longsoak-full-") as place:
        while tally.rounds < rounds and not wrong:
            number = seed * 1000 + tally.rounds
            way = ways[tally.rounds // few % len(ways)]
            folder = Path(place) / f"record-{number}"
            folder.mkdir()
            with way(Path(place), folder) as squeeze:
                wrong += _one_record(folder / "record", number, few, squeeze, tally, chance)
            shutil.rmtree(folder)
    return Outcome(
        "full",
        f"{tally.rounds} times a full disk: a limit on a file's size, writes cut short, a small "
        f"file system{skipped} ({tally.refused} commits and {tally.not_opened} starts were refused,"
        f" {tally.scans} scans came through)",
        len(wrong),
        wrong[0]
        if wrong
        else "Once there was room it went on by itself, and every acknowledged scan was there bit "
        "for bit, once and in order",
    )


def _one_record(
    folder: Path, seed: int, rounds: int, squeeze: Squeeze, tally: _Tally, chance: Random
) -> list[str]:
    witness = Witness(seed, folder)
    acknowledged = 0
    for number in range(rounds):
        squeeze.start_over(seed=seed + number)
        try:
            acknowledged = _one_round(folder, seed, number, acknowledged, squeeze, chance, tally)
            found = witness.complaints(acknowledged, thorough=chance.random() < 0.1)
        except AssertionError as error:
            found = [str(error)]
        if (folder / f"{RECORD}.damaged-1").exists():
            found.append("a record on a full disk was taken for damaged")
        tally.rounds += 1
        if found:
            return [f"seed {seed}, round {number + 1}, {squeeze.says}: {says}" for says in found]
    tally.scans += acknowledged
    return []


def _one_round(
    folder: Path,
    seed: int,
    number: int,
    acknowledged: int,
    squeeze: Squeeze,
    chance: Random,
    tally: _Tally,
) -> int:
    victim = Victim(
        folder,
        seed=seed,
        run=number,
        arguments=("--seals-often",) if number % 4 else (),
        environment=squeeze.environment,
    )
    victim.heard.acknowledged = acknowledged
    from_the_start = acknowledged > 0 and chance.random() < 0.25
    if not from_the_start:
        victim.listen_until_it_wrote()
    squeeze.tighten(victim, chance)
    there = victim.listen(chance.uniform(0.0, LONGEST_SQUEEZE) + 0.2 * from_the_start)
    killed = there and chance.random() < 0.3
    if killed:
        code = victim.kill()
    squeeze.loosen(victim)
    went_on = not killed and there and victim.listen_until_it_wrote(GOES_ON)
    if not killed:
        code = victim.kill()
    if code == 3 and from_the_start:
        tally.not_opened += 1
    else:
        assert code == -9, f"it ended with {code}: {victim.said}"
        assert went_on or killed, "it did not go on"
    tally.refused += victim.heard.refused
    return victim.heard.acknowledged


class _Limit:
    """No file may grow beyond what the largest is now, and a little."""

    says = "a limit on a file's size"

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.environment: dict[str, str] = {}

    def tighten(self, victim: Victim, chance: Random) -> None:
        sizes = (path.stat().st_size for path in self._folder.rglob(f"{RECORD}*"))
        self._set(victim, max(sizes, default=0) + chance.randrange(20_000))

    def loosen(self, victim: Victim) -> None:
        self._set(victim, resource.RLIM_INFINITY)

    def start_over(self, *, seed: int) -> None:
        pass

    def _set(self, victim: Victim, limit: int) -> None:
        with suppress(ProcessLookupError):  # it has ended, which its exit code tells
            resource.prlimit(victim.pid, resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))


@contextmanager
def a_limit(place: Path, folder: Path) -> Iterator[Squeeze]:
    """The kernel's limit on the size of a file (EFBIG)."""
    yield _Limit(folder)


class _ShortWrites:
    """Writes get down in part, then say that the disk is full."""

    says = "writes cut short"

    def __init__(self, preload: Preload) -> None:
        self._preload = preload
        self.environment = preload.environment

    def tighten(self, victim: Victim, chance: Random) -> None:
        full = dict.fromkeys((Kind.WRITE, Kind.OPEN), errno.ENOSPC)
        self._preload.fail(full, chance=chance.choice((1.0, 0.3, 0.05)), partly=True)

    def loosen(self, victim: Victim) -> None:
        self._preload.fail({})

    def start_over(self, *, seed: int) -> None:
        self._preload.start_over(seed=seed)


@contextmanager
def short_writes(place: Path, folder: Path) -> Iterator[Squeeze]:
    """ENOSPC at random writes, after some of them."""
    preload = Preload(place, under=folder)
    try:
        yield _ShortWrites(preload)
    finally:
        preload.close()


class _SmallFileSystem:
    """Another file takes all the room there is."""

    says = "a small file system"

    def __init__(self, folder: Path) -> None:
        self._filler = folder / "filler"
        self.environment: dict[str, str] = {}

    def tighten(self, victim: Victim, chance: Random) -> None:
        with self._filler.open("wb", buffering=0) as file:
            with suppress(OSError):
                while file.write(bytes(65536)):
                    pass
            file.truncate(max(0, file.tell() - chance.randrange(20) * 4096))

    def loosen(self, victim: Victim) -> None:
        self._filler.unlink()

    def start_over(self, *, seed: int) -> None:
        pass


@contextmanager
def a_small_file_system(place: Path, folder: Path) -> Iterator[Squeeze]:
    """A file system in memory with little room."""
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={TMPFS_MB}m", "tmpfs", folder], check=True)
    try:
        yield _SmallFileSystem(folder)
    finally:
        subprocess.run(["umount", folder], check=True)


def can_mount() -> bool:
    """Whether this user may mount a file system."""
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", folder],
            capture_output=True,
            check=False,
        )
        if done.returncode == 0:
            subprocess.run(["umount", folder], check=True)
    return os.geteuid() == 0 and done.returncode == 0
