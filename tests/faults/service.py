"""The real service on front ends that count their answers, while the disk under it fails.

What a front end answers is one more each time, so a reading that is lost leaves a hole.
"""

import os
import shutil
import tempfile
import time
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from functools import reduce
from operator import xor
from pathlib import Path
from random import Random
from unittest.mock import patch

from drivers.ptys import plugged
from faults.chance import drawn_from
from faults.failing import FAULTS
from faults.outcome import Outcome
from faults.preload import Preload
from longsoak.store.files import RECORD
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.reading import Reading
from processes import Running
from waiting import wait_for
from whole.trayrig import head

ROUNDS, SHORT = 60, 2
PROBES = ("T1", "T2", "T3", "T4")
LONGEST_FAULT, SHORT_FAULT = 4.0, 0.5  # s
WELL = 1.0  # s that all is well before it is killed: what waits for a failing disk dies with it
UNDER_WAY = 4  # answers of a front end that a kill may catch on their way into the record
EACH = """
[[buses]]
name = "{name}"
driver = "lines"
port = "{port}"

[[probes]]
name = "{name}"
kind = "temperature"
bay = "panel"
depth = 90
height = {height}
bus = "{name}"
every = 0.2
address = {{ name = "{name}" }}
"""


class Counter:
    """A front end that answers how often it was asked, in thousandths of a degree."""

    def __init__(self) -> None:
        self.answered = 0

    def __call__(self, question: bytes) -> Iterable[bytes | float]:
        """Answer once more."""
        name = question.decode().strip().lstrip("?").partition("*")[0]
        self.answered += 1
        text = f"{name},{self.answered / 1000:.3f},Cel".encode()
        yield b"%s*%02X\r\n" % (text, reduce(xor, text))


Counters = dict[str, Counter]


def campaign(*, seed: int, short: bool) -> Outcome:
    """Let the disk fail under it and kill it, and look whether every answer is in the record."""
    chance = drawn_from("service", seed)
    wrong: list[str] = []
    with tempfile.TemporaryDirectory(prefix="longsoak-service-") as place, ExitStack() as rig:
        top = Path(place)
        rig_file, counters = counted_rig(top, rig)
        preload = Preload(top, under=top / "record", seed=seed)
        rig.callback(preload.close)
        rig.enter_context(patch.dict(os.environ, preload.environment))
        work = _Work(rig_file, preload, chance, longest=SHORT_FAULT if short else LONGEST_FAULT)
        rig.callback(work.end)
        rounds = 0
        while rounds < (SHORT if short else ROUNDS) and not wrong:
            rounds += 1
            wrong = [f"seed {seed}, round {rounds}: {says}" for says in work.once()]
        wrong = wrong or work.stop()
        answered = sum(counter.answered for counter in counters.values())
        if not wrong:
            for name, counter in counters.items():
                wrong += holes(readings(top / "record", name), counter.answered, kills=work.kills)
    return Outcome(
        "service",
        f"{rounds} times errors on the disk under `longsoak run` ({work.failed} operations "
        f"failed), {work.kills} times kill -9, {answered} answers of front ends",
        len(wrong),
        wrong[0]
        if wrong
        else f"Every answer is in the record, once and in order, but for those, at most {UNDER_WAY}"
        " of a front end, that a kill caught on their way",
    )


def counted_rig(top: Path, plugged_in: ExitStack, *, more: str = "") -> tuple[Path, Counters]:
    """A rig file in `top` whose front ends count their answers, and these by probe.

    Parameters
    ----------
    top : Path
        Where the front ends lie too.
    plugged_in : ExitStack
        For how long they are there.
    more : str
        What else the rig file says.
    """
    counters = {name: Counter() for name in PROBES}
    text = head("counted", litres=0).partition("[reservoir]")[0]
    for number, (name, counter) in enumerate(counters.items()):
        device = plugged_in.enter_context(plugged(top / name, counter))
        text += EACH.format(name=name, port=device.path, height=20 + 10 * number)
    rig_file = top / "rig.toml"
    rig_file.write_text(text + more)
    return rig_file, counters


class _Work:
    """`longsoak run` under way."""

    def __init__(self, rig_file: Path, preload: Preload, chance: Random, *, longest: float) -> None:
        self.kills = self.failed = 0
        self._rig_file = rig_file
        self._folder = rig_file.parent / "record"
        self._preload = preload
        self._chance = chance
        self._longest = longest
        self._run = Running(rig_file)

    def once(self) -> list[str]:
        """One fault, and at times a kill once it is well again; what was not as it should be."""
        chance, fault = self._chance, self._chance.choice(FAULTS)
        try:
            self._wait_for_scans()
            often = chance.choice((1.0, 0.5, 0.05))
            self._preload.fail(fault.errors, chance=often, partly=fault.partly, drop=True)
            time.sleep(chance.uniform(0.0, self._longest))
            self._preload.fail({}, drop=True)
            self._wait_for_scans()
            if chance.random() < 0.3:
                time.sleep(WELL)
                self._run.kill()
                self.kills += 1
                self.failed += self._preload.failed
                self._preload.start_over(seed=self.kills)
                self._run = Running(self._rig_file)
        except AssertionError as error:
            return [f"{fault.says}: {error}: {self._run.log[-2000:]}"]
        return [f"it failed: {self._run.log[-2000:]}"] if "Traceback" in self._run.log else []

    def stop(self) -> list[str]:
        """Stop it as a service manager does."""
        self.failed += self._preload.failed
        try:
            self._wait_for_scans()  # one that has just been started knows of no signals yet
        except AssertionError as error:
            return [f"{error}: {self._run.log[-2000:]}"]
        code = self._run.stop()
        return [f"it ended with {code}: {self._run.log[-2000:]}"] if code else []

    def end(self) -> None:
        """End it however it stands."""
        if self._run.process.poll() is None:
            self._run.kill()

    def _wait_for_scans(self) -> None:
        before = self._scans()
        wait_for(lambda: self._scans() not in (0, before), what="new scans", limit=40.0)

    def _scans(self) -> int:
        try:
            return Record(self._folder).version()[0]
        except StoreError:  # there is no record yet
            return 0


def readings(folder: Path, probe: str) -> list[Reading]:
    """One probe's readings in the order of scans, out of every record in `folder`."""
    found: list[Reading] = []
    for file in [*sorted(folder.glob(f"{RECORD}.damaged-?")), folder / RECORD]:
        with tempfile.TemporaryDirectory() as copy:
            for end in ("", "-wal"):
                if (part := file.with_name(f"{file.name}{end}")).exists():
                    shutil.copy(part, Path(copy) / f"{RECORD}{end}")
            scans = Record(Path(copy)).scans_after(0, limit=10_000_000)
            found += [r for scan in scans for r in scan.readings if r.probe == probe]
    return found


def holes(
    found: Sequence[Reading], answered: int, *, kills: int, under_way: int = UNDER_WAY
) -> list[str]:
    """Answers that are not where they belong, beyond what kills may have caught on their way."""
    wrong, before, missing = [], 0, 0
    for reading in found:
        if reading.raw is None:  # an answer came too late and was not taken
            missing += 1
            continue
        number = round(reading.raw * 1000)
        lost = number - before - 1
        if lost < 0:
            wrong.append(f"answer {number} of {reading.probe} comes after {before}")
        elif lost > missing:
            if kills and lost - missing <= under_way:
                kills -= 1
            else:
                wrong.append(f"answers {before + 1} to {number - 1} of {reading.probe} are lost")
        before, missing = number, 0
    if before + missing < answered:
        wrong.append(f"answers {before + 1} to {answered} are lost")
    return wrong
