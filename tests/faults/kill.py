"""Kill -9 at random moments while a record is opened, migrated, written, sealed and folded in."""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random

from faults.chance import drawn_from
from faults.outcome import Outcome
from faults.preload import Preload
from faults.victim import Victim
from faults.witness import Witness
from longsoak.store.files import RECORD, connect_read_only

KILLS, SHORT = 500, 6
PER_RECORD = 20  # kills that one record grows through
LONGEST_RUN = 0.3  # s after the first commit
OPERATIONS = 4000  # of a file, in one of which a child dies by itself
KEPT = Path(__file__).parents[1] / "store" / "kept"


@dataclass(slots=True)
class _Tally:
    kills: int = 0
    opening: int = 0
    scans: int = 0
    sealed: int = 0


def campaign(*, seed: int, short: bool) -> Outcome:
    """Kill, and look after each kill whether all that was acknowledged is there."""
    chance = drawn_from("kill", seed)
    tally = _Tally()
    wrong: list[str] = []
    with tempfile.TemporaryDirectory(prefix="longsoak-kill-") as place:
        top = Path(place)
        while tally.kills < (SHORT if short else KILLS):
            kills = min(PER_RECORD, SHORT if short else KILLS - tally.kills)
            wrong += _one_record(top, seed=seed * 1000 + tally.kills, kills=kills, tally=tally,
                                 chance=chance)  # fmt: skip
    return Outcome(
        "kill",
        f"{tally.kills} times kill -9 at random moments, {tally.opening} of them before the first "
        f"commit, while {tally.scans} scans were written and {tally.sealed} sealed",
        len(wrong),
        wrong[0]
        if wrong
        else "After each, every acknowledged scan, alarm change and cursor was "
        "there bit for bit, once and in order, no half commit beside them, and the file is sound",
    )


def _one_record(top: Path, *, seed: int, kills: int, tally: _Tally, chance: Random) -> list[str]:
    folder = top / f"record-{seed}"
    folder.mkdir()
    if chance.random() < 0.5:  # one of an earlier release, which is migrated first
        shutil.copy(chance.choice(sorted(KEPT.iterdir())) / RECORD, folder)
    witness = Witness(seed, folder)
    preload = Preload(top, under=folder, seed=seed)
    acknowledged, wrong = 0, []
    for kill in range(kills):
        preload.start_over(seed=seed + kill)
        arguments = ("--seals-often",) if kill % 4 else ()
        with ExitStack() as held:
            if chance.random() < 0.2 and (folder / RECORD).exists():
                held.enter_context(a_reader(folder))
            acknowledged = _kill_one(
                folder, seed=seed, run=kill, acknowledged=acknowledged, arguments=arguments,
                preload=preload, chance=chance, tally=tally,
            )  # fmt: skip
        last = kill == kills - 1
        found = witness.complaints(acknowledged, thorough=last or chance.random() < 0.1)
        wrong += [f"seed {seed}, kill {kill + 1}: {says}" for says in found]
        tally.kills += 1
        if wrong:
            return wrong  # each further kill would find the same again
    tally.scans += acknowledged
    tally.sealed += sealed(folder)
    shutil.rmtree(folder)
    return wrong


def _kill_one(
    folder: Path,
    *,
    seed: int,
    run: int,
    acknowledged: int,
    arguments: tuple[str, ...],
    preload: Preload,
    chance: Random,
    tally: _Tally,
) -> int:
    """Start a child and kill it; return the last scan it acknowledged."""
    how = chance.random()
    if how < 0.4:  # it dies in the midst of an operation
        preload.start_over(seed=seed + run, die_at=chance.randrange(1, OPERATIONS))
    victim = Victim(
        folder, seed=seed, run=run, arguments=arguments, environment=preload.environment
    )
    victim.heard.acknowledged = acknowledged
    if how < 0.4:
        code = victim.end()
    elif how < 0.6:
        victim.listen(chance.uniform(0.0, 0.15))  # while it starts
        code = victim.kill()
    else:
        victim.listen_until_it_wrote()
        victim.listen(chance.uniform(0.0, LONGEST_RUN))
        code = victim.kill()
    assert code == -9, f"it was not killed but ended with {code}: {victim.said}"
    tally.opening += victim.heard.acknowledged == acknowledged
    return victim.heard.acknowledged


def sealed(folder: Path) -> int:
    """How many scans of a record are sealed."""
    with closing(connect_read_only(folder / RECORD)) as db:
        (count,) = db.execute("SELECT ifnull(sum(last_scan - first_scan + 1), 0) FROM sealed")
    return int(count[0])


@contextmanager
def a_reader(folder: Path) -> Iterator[None]:
    """Somebody who reads for long, so that the write-ahead log can't be folded in."""
    with closing(connect_read_only(folder / RECORD)) as db:
        db.execute("BEGIN")
        db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        yield
