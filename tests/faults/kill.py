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

KILLS, SHORT = 500, 4
PER_RECORD = 12  # kills that one record grows through
LONGEST_START = 0.15  # s
LONGEST_RUN = 0.3  # s after the first commit
OPERATIONS = 4000  # on files, in one of which a child dies by itself
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
    kills = SHORT if short else KILLS
    tally, wrong = _Tally(), list[str]()
    with tempfile.TemporaryDirectory(prefix="longsoak-kill-") as place:
        while tally.kills < kills and not wrong:
            number = seed * 1000 + tally.kills
            record = _Record(Path(place), seed=number, chance=chance, tally=tally)
            wrong = record.kill(min(PER_RECORD, kills - tally.kills))
    return Outcome(
        "kill",
        f"{tally.kills} times kill -9 at random moments, {tally.opening} of them before the first "
        f"commit, while {tally.scans} scans were written and {tally.sealed} sealed",
        len(wrong),
        wrong[0]
        if wrong
        else "After each, every acknowledged scan, alarm change and cursor was there bit for bit, "
        "once and in order, no half commit beside them, and the file is sound",
    )


class _Record:
    """One record, which grows through several kills."""

    def __init__(self, top: Path, *, seed: int, chance: Random, tally: _Tally) -> None:
        self._folder = top / f"record-{seed}"
        self._folder.mkdir()
        self._seed = seed
        self._chance = chance
        self._tally = tally
        if chance.random() < 0.5:  # one of an earlier release, which is migrated first
            shutil.copy(chance.choice(sorted(KEPT.iterdir())) / RECORD, self._folder)
        self._witness = Witness(seed, self._folder)
        self._preload = Preload(top, under=self._folder, seed=seed)
        self._acknowledged = 0

    def kill(self, times: int) -> list[str]:
        """Kill so often, and look each time; return what is wrong."""
        for number in range(times):
            try:
                self._kill_once(number)
                thorough = number == times - 1 or self._chance.random() < 0.1
                found = self._witness.complaints(self._acknowledged, thorough=thorough)
            except AssertionError as error:
                found = [str(error)]
            self._tally.kills += 1
            if found:  # each further kill would find the same again
                return [f"seed {self._seed}, kill {number + 1}: {says}" for says in found]
        self._tally.scans += self._acknowledged
        self._tally.sealed += sealed(self._folder)
        self._preload.close()
        shutil.rmtree(self._folder)
        return []

    def _kill_once(self, number: int) -> None:
        chance, before = self._chance, self._acknowledged
        with ExitStack() as held:
            # Not in one that was never written to: it has no write-ahead log yet, and readers of a
            # rollback journal keep writers out.
            if chance.random() < 0.2 and before:
                held.enter_context(a_reader(self._folder))
            how = chance.random()
            by_itself = how < 0.4  # it dies in the midst of an operation
            self._preload.start_over(
                seed=self._seed + number, die_at=chance.randrange(1, OPERATIONS) if by_itself else 0
            )
            victim = Victim(
                self._folder,
                seed=self._seed,
                run=number,
                arguments=("--seals-often",) if number % 4 else (),
                environment=self._preload.environment,
            )
            victim.heard.acknowledged = before
            if by_itself:
                code = victim.end()
            elif how < 0.6:
                victim.listen(chance.uniform(0.0, LONGEST_START))
                code = victim.kill()
            else:
                victim.listen_until_it_wrote()
                victim.listen(chance.uniform(0.0, LONGEST_RUN))
                code = victim.kill()
        assert code == -9, f"it was not killed but ended with {code}: {victim.said}"
        self._acknowledged = victim.heard.acknowledged
        self._tally.opening += self._acknowledged == before


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
