"""Power cuts under the real service, on a disk that drops what was not synced.

What a front end answers is one more each time, so a reading that is lost leaves a hole.
"""

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path
from unittest.mock import patch

from faults.chance import drawn_from
from faults.fusemount import Mounted, why_not
from faults.onlooker import ALARM, scans
from faults.outcome import Outcome
from faults.preload import Preload
from faults.service import UNDER_WAY, Counters, counted_rig, holes, readings
from longsoak.store.files import RECORD, check
from longsoak.vocabulary.errors import StoreError
from processes import Running, longsoak
from waiting import LIMIT, wait_for

_TESTS = Path(__file__).parents[1]
CUTS, SHORT = 200, 4
AUDIT_EVERY = 5  # lives; each cut is followed by an integrity check as well
PER_RECORD = 20  # cuts that one record goes through
BACK = 30.0  # s after its start within which it has to have committed a scan
ANSWERS = 30.0  # s within which all that was asked before the cut has to be answered
LONGEST_LIFE = 0.8  # s from being back to the cut
CHANGES, STARTING = 60, 400  # on the disk, in the midst of one of which the power goes
SIDE_BY_SIDE = 4  # records: most of the time each waits
STANDS = f"""
[[alarms]]
watch = "{ALARM.partition(":")[0]}"
probe = "{ALARM.partition(":")[2]}"
setpoint = 0
on_delay = 0
cause = "It has been asked."
consequence = "None; it is invented."
actions = ["Acknowledge it."]
within = 86400
"""


@dataclass(slots=True)
class _Tally:
    """What was tried on one record and what it came to; `add` makes one of several."""

    cuts: int = 0
    starting: int = 0
    amidst: int = 0
    unsynced: int = 0
    kept: int = 0
    names: int = 0
    scans: int = 0
    asked: int = 0
    back: float = 0.0  # s, the longest
    under_way: int = 0  # answers of a front end that one cut caught, the most
    wrong: list[str] = field(default_factory=list)

    def add(self, other: "_Tally") -> None:
        """Take in what was tried on another record."""
        self.back = max(self.back, other.back)
        self.under_way = max(self.under_way, other.under_way)
        self.wrong += other.wrong
        for name in ("cuts", "starting", "amidst", "unsynced", "kept", "names", "scans", "asked"):
            setattr(self, name, getattr(self, name) + getattr(other, name))


def campaign(*, seed: int, short: bool, careless: bool = False) -> Outcome:
    """Cut, start again, and look whether all that was seen committed is there.

    `careless` plants a loss: no sync of the service reaches the disk. A short campaign runs beside
    other tests, and is given longer to come back.
    """
    if (why := why_not()) is not None:
        return Outcome("fuse", "", 0, "", untried=why)
    cuts = [SHORT] if short else [PER_RECORD] * (CUTS // PER_RECORD)
    tally = _Tally()
    with tempfile.TemporaryDirectory(prefix="longsoak-fuse-") as place, ExitStack() as held:
        records = Path(place) / "records"
        if careless:
            preload = Preload(Path(place), under=records, seed=seed)
            held.callback(preload.close)
            held.enter_context(patch.dict(os.environ, preload.environment))
            preload.fail({}, lie=True)

        def live(number: int) -> _Tally:
            if tally.wrong:  # of another record: that is enough
                return _Tally()
            top = records / f"{number}"
            top.mkdir(parents=True)
            back = LIMIT if short else BACK
            with ExitStack() as plugged_in:
                rig_file, counters = counted_rig(top, plugged_in, more=STANDS)
                rig = _Rig(rig_file, counters, f"{seed} {number}", back=back)
                return rig.live_through(cuts[number])

        with ThreadPoolExecutor(SIDE_BY_SIDE) as pool:
            for one in pool.map(live, range(len(cuts))):
                tally.add(one)
    return Outcome(
        "fuse",
        f"{tally.cuts} power cuts under `longsoak run` on a disk that drops what was not synced, "
        f"{tally.amidst} of them in the midst of a change on it and {tally.starting} while it "
        f"started: of {tally.unsynced} pages not synced {tally.kept} came down, {tally.names} "
        f"changes of names were in the balance; {tally.scans} scans were seen committed and "
        f"{tally.asked} entries and acknowledgements asked",
        len(tally.wrong),
        tally.wrong[0]
        if tally.wrong
        else f"Each time it came back by itself, at the latest {tally.back:.1f} s after its start;"
        " the record was whole, every scan seen committed was there bit for bit, every request was"
        f" answered, once, and of a front end's answers a cut caught {tally.under_way} at most on"
        " their way",
    )


@dataclass(slots=True)
class _Seen:
    """What was seen committed, what was asked, and what was seen of answers; before any cut."""

    scans: dict[int, str] = field(default_factory=dict)
    asked: set[str] = field(default_factory=set)
    answered: dict[str, str] = field(default_factory=dict)

    @property
    def waiting(self) -> list[str]:
        """Requests nobody has seen the answer of."""
        return sorted(self.asked - self.answered.keys())

    def take(self, line: str) -> None:
        """Take what the onlooker says."""
        word, what, *rest = line.rstrip("\n").split(" ", 2)
        if word == "scan":
            self.scans[int(what)] = rest[0]
        elif word == "asked":
            self.asked.add(what)
        else:
            self.answered[what] = rest[0]


class _Onlooker:
    """`faults.onlooker` under way."""

    def __init__(self, folder: Path, seen: _Seen, *, life: str) -> None:
        self._seen = seen
        self._said: str | None = None
        last = max(seen.scans, default=0)
        command = [sys.executable, "-m", "faults.onlooker", str(folder), "--after", str(last)]
        self._process = subprocess.Popen(
            [*command, "--life", life, "--waiting", *seen.waiting],
            cwd=_TESTS,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    @property
    def ended(self) -> bool:
        """Whether it has ended by itself."""
        return self._process.poll() is not None

    def end(self) -> str:
        """End it; what it complained of."""
        if self._said is None:
            self._process.kill()
            self._thread.join()
            assert self._process.stderr is not None
            with self._process.stderr as pipe:
                self._said = pipe.read()
            self._process.wait()
        return self._said

    def _listen(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout as pipe:
            for line in pipe:
                if line.endswith("\n"):  # what was cut off was not said
                    self._seen.take(line)


class _Rig:
    """One record on its disk, which lives through several cuts."""

    def __init__(self, rig_file: Path, counters: Counters, seed: str, *, back: float) -> None:
        self._rig_file = rig_file
        self._top = rig_file.parent
        self._counters = counters
        self._seed = seed
        self._back = back
        self._chance = drawn_from("fuse", seed)
        self._tally = _Tally()
        self._seen = _Seen()
        self._life = 0
        self._last = 0  # the last scan on the disk
        self._ending = ExitStack()  # of what is under way

    def live_through(self, cuts: int) -> _Tally:
        """Cut so often, then once more after a stop."""
        tally, wrong = self._tally, list[str]()
        try:
            while tally.cuts < cuts and not wrong:
                tally.cuts += 1
                wrong = self._once()
            wrong = wrong or self._once(stopped=True) or self._answers()
        except AssertionError as error:
            wrong = [str(error)]
        tally.scans, tally.asked = len(self._seen.scans), len(self._seen.asked)
        tally.wrong = [f"seed {self._seed}, cut {tally.cuts}: {says}" for says in wrong]
        return tally

    def _once(self, *, stopped: bool = False) -> list[str]:
        """Start, cut, and look at what is left."""
        chance, self._life = self._chance, self._life + 1
        with self._ending:
            seed = f"{self._seed} {self._life}"
            disk = Mounted(self._top / "disk", self._top / "record", seed=seed)
            self._ending.callback(disk.close)
            starting = not stopped and chance.random() < 0.25
            if starting:
                disk.cut_in(chance.randint(1, STARTING))
            began = time.monotonic()
            run = Running(self._rig_file)
            self._ending.callback(_kill, run)
            disk.kills(run.process.pid)
            onlooker = _Onlooker(disk.mount, self._seen, life=str(self._life))
            self._ending.callback(onlooker.end)
            if starting:
                self._tally.starting += 1
                disk.gone(chance.uniform(1.0, BACK))
                wrong = []
            else:
                wrong = self._comes_back(run, onlooker, began, stopped=stopped)
            if stopped and not wrong:
                disk.kills(0)
                code = run.stop()
                wrong = [f"it ended with {code}: {run.log[-2000:]}"] if code else []
            elif not wrong and not starting:
                time.sleep(chance.uniform(0.0, LONGEST_LIFE))
                if chance.random() < 0.5:
                    self._tally.amidst += 1
                    disk.cut_in(chance.randint(1, CHANGES))
                    disk.gone(BACK)
                elif chance.random() < 0.5:
                    disk.kills(0)
                    run.kill()
            took = disk.cut()
            _kill(run)
            said = onlooker.end()
            if "Traceback" in said:
                wrong.append(f"the onlooker: {said[-2000:]}")
        self._tally.unsynced += took.unsynced
        self._tally.kept += took.kept
        self._tally.names += took.names
        return wrong or self._left(disk.folder)

    def _comes_back(
        self, run: Running, onlooker: _Onlooker, began: float, *, stopped: bool
    ) -> list[str]:
        """Wait until it is back; what is wrong with the record once it is."""
        seen, asked_before = self._seen, set(self._seen.waiting)
        wait_for(
            lambda: (
                max(seen.scans, default=0) > self._last
                or run.process.poll() is not None
                or onlooker.ended
            ),
            what=f"a scan after the cut: {run.log[-2000:]}",
            limit=self._back,
        )
        if run.process.poll() is not None:
            return [f"it ended by itself with {run.process.returncode}: {run.log[-2000:]}"]
        if onlooker.ended:
            return [f"the onlooker ended: {onlooker.end()}"]
        self._tally.back = max(self._tally.back, time.monotonic() - began)
        wait_for(
            lambda: asked_before <= seen.answered.keys(),
            what=f"what became of requests {asked_before - seen.answered.keys()}",
            limit=ANSWERS,
        )
        if stopped or self._life % AUDIT_EVERY == 0:
            audited = longsoak("audit", self._rig_file)
            if audited.returncode:
                return [f"longsoak audit: {audited.stdout}{audited.stderr}"]
        return [f"it failed: {run.log[-2000:]}"] if "Traceback" in run.log else []

    def _left(self, disk: Path) -> list[str]:
        """What is missing from what a cut has left; looked for in a copy, which SQLite mends."""
        if aside := sorted(path.name for path in disk.glob(f"{RECORD}.damaged*")):
            return [f"the record was set aside: {aside}"]
        seen = self._seen
        with tempfile.TemporaryDirectory() as place:
            copy = Path(place) / "copy"
            shutil.copytree(disk, copy)
            if not (copy / RECORD).exists():
                return ["there is no record left"] if seen.scans else []
            try:
                with closing(sqlite3.connect(copy / RECORD)) as db:
                    broken = check(db, "integrity_check")
                    if broken is not None:
                        return [f"the record is damaged: {broken}"]
                    outcomes: dict[str, str] = dict(
                        db.execute("SELECT uuid, outcome FROM request").fetchall()
                    )
                    kept = db.execute("SELECT request FROM logbook").fetchall()
                there = dict(scans(copy, 0))
            except (sqlite3.Error, StoreError) as error:
                return [f"the record can't be read: {error}"] if seen.scans else []
        self._last = max(there, default=0)
        wrong = [
            f"scan {scan} was seen committed and is {'altered' if scan in there else 'gone'}"
            for scan, digest in seen.scans.items()
            if there.get(scan) != digest
        ]
        wrong += [
            f"request {uuid} was answered by {outcome!r}, the record has {outcomes.get(uuid)!r}"
            for uuid, outcome in seen.answered.items()
            if outcomes.get(uuid) != outcome
        ]
        if list(there) != list(range(1, self._last + 1)):
            wrong.append("scans are missing between others")
        if len(kept) != len(set(kept)):
            wrong.append("an entry is in the logbook twice")
        return wrong

    def _answers(self) -> list[str]:
        """Answers of front ends that are neither in the record nor were caught by a cut."""
        wrong: list[str] = []
        for name, counter in self._counters.items():
            found = readings(self._top / "disk", name)
            for under_way in range(UNDER_WAY + 1):
                lost = holes(found, counter.answered, kills=self._tally.cuts, under_way=under_way)
                if not lost:
                    self._tally.under_way = max(self._tally.under_way, under_way)
                    break
            else:
                wrong += lost
        return wrong


def _kill(run: Running) -> None:
    if run.process.poll() is None:
        run.kill()
