"""A disk that fails for a while: reads, writes and syncs, and what they take along."""

import shutil
import tempfile
from dataclasses import dataclass
from errno import EIO, ENOSPC, EROFS
from pathlib import Path
from random import Random

from faults.chance import drawn_from
from faults.outcome import Outcome
from faults.preload import Kind, Preload
from faults.victim import Heard, Victim
from faults.witness import Witness
from longsoak.store.files import RECORD

ROUNDS, SHORT = 200, 4
PER_RECORD = 20  # rounds that one record goes through
LONGEST_FAULT = 0.15  # s
SET_ASIDE = f"{RECORD}.damaged-1"
GOES_ON = 20  # scans that must come once a fault is over


@dataclass(frozen=True, slots=True)
class _Fault:
    """What fails, each kind with its errno."""

    says: str
    errors: dict[Kind, int]
    partly: bool = False


FAULTS = (
    _Fault("writes fail", {Kind.WRITE: EIO}),
    _Fault("writes fail half done", {Kind.WRITE: EIO}, partly=True),
    _Fault("the disk is full", {Kind.WRITE: ENOSPC, Kind.OPEN: ENOSPC}, partly=True),
    _Fault("the disk is read-only", dict.fromkeys((Kind.WRITE, Kind.TRUNCATE, Kind.UNLINK), EROFS)),
    _Fault("syncs fail and lose what they were for", {Kind.SYNC: EIO}),
    _Fault("reads fail", {Kind.READ: EIO}),
    _Fault("files can't be cut", {Kind.TRUNCATE: EIO}),
    _Fault("nothing works", dict.fromkeys(Kind, EIO)),
    _Fault("nothing works, half done", dict.fromkeys(Kind, EIO), partly=True),
)


@dataclass(slots=True)
class _Tally:
    rounds: int = 0
    failed: int = 0
    refused: int = 0
    not_opened: int = 0
    set_aside: int = 0
    scans: int = 0


def campaign(*, seed: int, short: bool) -> Outcome:
    """Let operations fail under a process that writes, and look what it kept."""
    chance = drawn_from("failing", seed)
    rounds = SHORT if short else ROUNDS
    tally, wrong = _Tally(), list[str]()
    with tempfile.TemporaryDirectory(prefix="longsoak-failing-") as place:
        while tally.rounds < rounds and not wrong:
            few = min(PER_RECORD, rounds - tally.rounds)
            wrong += _one_record(Path(place), seed * 1000 + tally.rounds, few, tally, chance)
    return Outcome(
        "failing",
        f"{tally.rounds} times errors on a disk ({tally.failed} operations failed, "
        f"{tally.refused} commits and {tally.not_opened} starts were refused, {tally.set_aside} "
        f"times a record that can't be read was set aside, {tally.scans} scans came through)",
        len(wrong),
        wrong[0]
        if wrong
        else "Each refusal was told as such; when the errors ended it went on by itself, and every "
        "acknowledged scan was there bit for bit, once and in order",
    )


def _one_record(top: Path, seed: int, rounds: int, tally: _Tally, chance: Random) -> list[str]:
    folder = top / f"record-{seed}"
    folder.mkdir()
    witness = Witness(seed, folder)
    preload = Preload(top, under=folder, seed=seed)
    acknowledged, wrong = 0, list[str]()
    for number in range(rounds):
        fault = chance.choice(FAULTS)
        preload.start_over(seed=seed + number)
        found = list[str]()
        try:
            heard = _one_round(folder, seed, number, acknowledged, fault, preload, chance, tally)
            acknowledged = heard.acknowledged
            if (folder / SET_ASIDE).exists():
                found = _of_those_set_aside(witness, heard)
                acknowledged = heard.acknowledged if heard.left else 0
                tally.set_aside += 1
            found += witness.complaints(acknowledged, thorough=chance.random() < 0.1)
        except AssertionError as error:
            found = [str(error)]
        tally.rounds += 1
        tally.failed += preload.failed
        wrong += [f"seed {seed}, round {number + 1}, {fault.says}: {says}" for says in found]
        if wrong or witness.after_another:
            break
    tally.scans += acknowledged
    preload.close()
    shutil.rmtree(folder)
    return wrong


def _of_those_set_aside(witness: Witness, heard: Heard) -> list[str]:
    """What is wrong with a record that was set aside: it must be whole, for the disk is well again.

    The new one begins with its own first scan, and with what is left of the alarms.
    """
    found = []
    left = heard.left or [heard.acknowledged]  # killed before it could say so
    for number, acknowledged in enumerate(left, 1):
        file = f"{RECORD}.damaged-{number}"
        found += [f"{file}: {says}" for says in witness.of(witness.folder, file).complaints(
            acknowledged, thorough=True)]  # fmt: skip
        witness.after_another = True
    return found


def _one_round(
    folder: Path,
    seed: int,
    number: int,
    acknowledged: int,
    fault: _Fault,
    preload: Preload,
    chance: Random,
    tally: _Tally,
) -> Heard:
    """Start, let it fail, let it go on, and kill it; return what was heard of it."""

    def fail() -> None:
        # Always, often or seldom: a disk that fails at each operation is the simpler one.
        often = chance.choice((1.0, 0.5, 0.05))
        preload.fail(fault.errors, chance=often, partly=fault.partly, drop=True)

    preload.fail({}, drop=True)
    from_the_start = chance.random() < 0.25
    if from_the_start:
        fail()
    victim = Victim(
        folder,
        seed=seed,
        run=number,
        arguments=("--seals-often",) if number % 4 else (),
        environment=preload.environment,
    )
    heard = victim.heard
    heard.acknowledged = acknowledged
    if not from_the_start:
        victim.listen_until_it_wrote()
        victim.listen(chance.uniform(0.0, 0.05))
        fail()
    there = victim.listen(chance.uniform(0.0, LONGEST_FAULT) + 0.2 * from_the_start)
    if there and chance.random() < 0.3:
        code = victim.kill()  # in the midst of it
        assert code == -9, f"it ended with {code}: {victim.said}"
    else:
        preload.fail({}, drop=True)
        went_on = there and victim.listen_until_it_wrote(GOES_ON)
        code = victim.kill()
        if code == 3 and from_the_start:
            tally.not_opened += 1
        else:
            assert code == -9, f"it ended with {code}: {victim.said}"
            assert went_on, "it did not go on"
    preload.fail({})
    tally.refused += heard.refused
    return heard
