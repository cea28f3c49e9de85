"""Every look at a record that is written meanwhile is one at what had been committed, to the bit.

By hand, for longer: ``python tests/store/test_oracle.py SEED STEPS``.
"""

import math
import pickle
import random
import struct
import subprocess
import sys
import tempfile
import threading
import time
from bisect import bisect_right
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from math import fsum, isclose, nan
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from longsoak.store.files import RECORD, connect_read_only
from longsoak.store.reader import Record
from longsoak.store.sealing import SealingPlan
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.flags import AT_LEAST, AT_MOST, Flag, Reason
from longsoak.vocabulary.reading import Scan

T0 = 1_777_885_200_000  # 2026-05-04T09:00:00Z
MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
PLAN = SealingPlan(tail=20, lengths=(60, 120), enough=10)
PASSES = (("a", "b"), ("level",), ("b", "rare", "a"), ("a",), ("late", "a"))
PROBES = ("a", "b", "level", "rare", "late", "never")
WORST = (Flag.FAIL, Flag.SUSPECT, Flag.MISSING, Flag.NOT_EVALUATED, Flag.PASS)
ODD = (-0.0, 5e-324, 2.0**53 + 2, math.inf, -math.inf, 1.7e308)

Query = tuple[str, Any]


class State(NamedTuple):
    """What was committed from `begun` or later (the clock before the commit) to the next `done`."""

    begun: float
    done: float
    scans: int
    stretches: tuple[tuple[int, int], ...]


class Seen(NamedTuple):
    """One look: between which moments, at what, and what it said."""

    begun: float
    done: float
    query: Query
    found: Any


@dataclass
class Driver:
    """Writes a record at random and notes what is in it after each commit."""

    folder: Path
    seed: int
    boot: int = 0
    wall_ms: int = T0
    boot_ms: int = 0
    every_ms: int = MINUTE
    synchronised: bool = True
    scans: list[Scan] = field(default_factory=list)
    recorded_ms: list[int] = field(default_factory=list)
    states: list[State] = field(default_factory=list)
    done: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)  # noqa: S311 - numbers to keep
        self.writer = RecordWriter(self.folder, now="2026-05-04T09:00:00.000Z")
        self.writer.accept_rig("", utc_ms=T0)
        self.summaries = self.writer.summaries()
        self.sealing = self.writer.sealing(PLAN)
        self.reboot()
        self.commit()

    def step(self) -> None:
        """Do one thing, mostly a commit."""
        does: tuple[tuple[Callable[[], None], int], ...] = (
            (self.commit, 60),
            (self.seal, 12),
            (self.add_up, 12),
            (self.pace, 4),
            (self.set_clock, 2),
            (self.reboot, 2),
            (self.find_clock, 4),
            (self.drop, 1),
        )
        do = self.random.choices([d for d, _ in does], [weight for _, weight in does])[0]
        self.done[do.__name__] = self.done.get(do.__name__, 0) + 1
        do()

    def commit(self) -> None:
        """Commit a few scans."""
        batch = Batch(scans=[self.scan() for _ in range(self.random.randint(1, 8))])
        begun, last = time.monotonic(), len(self.scans)
        self.writer.commit(batch)
        self.scans += batch.scans
        with closing(connect_read_only(self.folder / RECORD)) as db:
            rows = db.execute("SELECT utc_ms FROM scan WHERE id > ? ORDER BY id", (last,))
            self.recorded_ms += [utc_ms for (utc_ms,) in rows]
            placed = db.execute("SELECT first_scan, shift_ms FROM stretch ORDER BY id").fetchall()
        assert len(self.recorded_ms) == len(self.scans)
        self.states.append(State(begun, time.monotonic(), len(self.scans), tuple(placed)))

    def scan(self) -> Scan:
        """Make one of numbers that are never the same."""
        of = self.random
        self.wall_ms += self.every_ms
        self.boot_ms += self.every_ms
        probes = PASSES[of.choices(range(5), (30, 20, 1, 10, len(self.scans) // 100))[0]]
        n = range(len(probes))
        return Scan(
            "water" if "level" in probes else "b",
            self.wall_ms,
            self.boot_ms,
            self.synchronised,
            probes,
            tuple(of.choice(("Ohm", "V")) for _ in n) if of.random() < 0.05 else ("Ohm",) * len(n),
            tuple(of.choice(ODD) if of.random() < 0.05 else of.lognormvariate(15, 1) for _ in n),
            tuple(single(of.gauss(17, 1)) if of.random() < 0.9 else nan for _ in n),
            tuple(single(of.uniform(0.1, 1)) if of.random() < 0.95 else nan for _ in n),
            tuple(of.choices(list(Flag), (50, 1, 1, 1, 1))[0] for _ in n),
            tuple(of.choice(list(Reason)) if of.random() < 0.03 else Reason.NONE for _ in n),
        )

    def pace(self) -> None:
        """Measure more or less often, so that hours and days go by."""
        self.every_ms = self.random.choice((1000, MINUTE, 10 * MINUTE, HOUR, 5 * HOUR))

    def set_clock(self) -> None:
        """Someone sets the clock on or back."""
        self.wall_ms += self.random.choice((-3 * DAY, -HOUR, -1500, 1500, 40 * MINUTE, 2 * DAY))

    def reboot(self) -> None:
        """Start anew, half the time without knowing what time it is."""
        self.boot += 1
        self.boot_ms = self.random.randint(0, 60_000)
        if self.boot > 1:
            self.synchronised = self.random.random() < 0.5
        self.wall_ms += self.random.choice((MINUTE, HOUR, DAY))
        self.true_ms = self.wall_ms - self.boot_ms
        if not self.synchronised:
            self.wall_ms -= self.random.choice((DAY, 30 * 365 * DAY, 60 * 365 * DAY, -9 * DAY))
        self.writer.begin_run(
            boot=f"boot {self.boot}",
            software="0",
            utc_ms=self.wall_ms,
            boottime_ms=self.boot_ms,
            synchronised=self.synchronised,
        )

    def find_clock(self) -> None:
        """Learn what time it is: what was measured before in this boot is placed."""
        if not self.synchronised:
            self.wall_ms, self.synchronised = self.true_ms + self.boot_ms, True

    def seal(self) -> None:
        """Seal all that is due, unless sums are half done."""
        while not self.summaries.under_way and self.sealing.bite():
            pass

    def add_up(self) -> None:
        """Add up all that is due."""
        while self.summaries.bite():
            pass

    def drop(self) -> None:
        """Lose the sums."""
        self.summaries.drop_and_rest()
        self.summaries.resume()

    def close(self) -> None:
        """Let go of the record."""
        self.summaries.close()
        self.writer.close()

    # What a look must say.

    def readings(self, state: State, probe: str) -> Iterator[tuple[int, tuple[Any, ...]]]:
        """The number of each scan with `probe`, and its reading."""
        starts = [first for first, _ in state.stretches]
        for number, scan in enumerate(self.scans[: state.scans], start=1):
            if probe in scan.probes:
                at = scan.probes.index(probe)
                utc_ms = (
                    self.recorded_ms[number - 1]
                    + state.stretches[bisect_right(starts, number) - 1][1]
                )
                yield (
                    number,
                    (
                        utc_ms,
                        bits(scan.raw[at]),
                        scan.units[at],
                        none(scan.values[at]),
                        none(scan.uncertainties[at]),
                        scan.flags[at],
                        scan.reasons[at],
                    ),
                )

    def expected(self, state: State, query: Query) -> Any:
        """What a look at `state` must say."""
        kind, given = query
        if kind == "latest":
            every = {probe: list(self.readings(state, probe)) for probe in PROBES}
            return {probe: found[-1][1] for probe, found in every.items() if found}
        if kind == "after":
            starts = [first for first, _ in state.stretches]
            return [
                (
                    n,
                    scan.bus,
                    self.recorded_ms[n - 1] + state.stretches[bisect_right(starts, n) - 1][1],
                    scan.probes,
                    tuple(bits(raw) for raw in scan.raw),
                )
                for n, scan in enumerate(self.scans[: state.scans], start=1)
                if given < n <= given + 30
            ]
        if kind == "at":
            probes, patience, at = given
            stood = {}
            for probe in probes:
                last = [
                    (r[0], n, r)
                    for n, r in self.readings(state, probe)
                    if at - patience <= r[0] <= at
                ]
                if last:
                    stood[probe] = max(last)[2]
            return stood
        probe, since, until, buckets = given
        within = [(n, r) for n, r in self.readings(state, probe) if since <= r[0] < until]
        if kind == "series":
            return [r for _, r in within]
        if kind == "columns":
            return [(n, r[0], r[1], r[3]) for n, r in within]
        if kind == "last":
            at = [r[0] for _, r in within if r[3] is not None]
            return {probe: at[-1]} if at else {}
        # Of the very range while no sums are there, else of whole hours or days.
        return [
            reduced([r for _, r in within], since, until, buckets, whole=whole)
            for whole in (False, True)
        ]


WIDTHS = (1, 2, 3, 4, 8, 12, 24, 48)  # h


def reduced(
    within: list[tuple[Any, ...]], since: int, until: int, buckets: int, *, whole: bool
) -> list[Any]:
    """What is drawn of readings, by hand; the mean last."""
    width = -(-(until - since) // buckets)
    unit = 1
    if whole and width >= HOUR:
        width = next((n * HOUR for n in WIDTHS if n * HOUR >= width), -(-width // DAY) * DAY)
        unit = DAY if width >= 2 * DAY else 4 * HOUR if width >= 4 * HOUR else HOUR
    base = since // unit * unit
    groups: dict[int, list[tuple[Any, ...]]] = {}
    for reading in within:
        groups.setdefault((reading[0] - base) // width, []).append(reading)
    found = []
    for number, group in sorted(groups.items()):
        good = [r for r in group if r[3] is not None and r[5] is not Flag.FAIL]
        values = [r[3] for r in good]
        wetter, drier = sum(r[6] in AT_LEAST for r in good), sum(r[6] in AT_MOST for r in good)
        mean = None if wetter or drier or not values else fsum(values) / len(values)
        found.append(
            (
                base + number * width,
                min(values, default=None),
                max(values, default=None),
                max((r[4] for r in good if r[4] is not None), default=None),
                len(group),
                next(flag for flag in WORST if flag in {r[5] for r in group}),
                wetter,
                drier,
                mean,
            )
        )
    return found


def look(record: Record, query: Query) -> Any:
    """Look at the record."""
    kind, given = query
    if kind == "latest":
        return {probe: plain(r) for probe, r in record.latest(PROBES).items()}
    if kind == "after":
        return [
            (
                s.id,
                s.bus,
                s.utc_ms,
                tuple(r.probe for r in s.readings),
                tuple(bits(nan if r.raw is None else r.raw) for r in s.readings),
            )
            for s in record.scans_after(given, limit=30)
        ]
    if kind == "at":
        probes, patience, at = given
        stood = record.latest_at(dict.fromkeys(probes, patience), utc_ms=at)
        return {probe: plain(r) for probe, r in stood.items()}
    probe, since, until, buckets = given
    if kind == "series":
        return [plain(r) for r in record.series(probe, since_ms=since, until_ms=until)]
    if kind == "last":
        return record.last_values((probe,), since_ms=since, until_ms=until)
    if kind == "columns":
        found = record.columns((probe,), since_ms=since, until_ms=until).get(probe)
        if found is None:
            return []
        return [
            (n, at, bits(raw), none(value))
            for n, at, raw, value in zip(
                found.scans.tolist(),
                found.utc_ms.tolist(),
                found.raw.tolist(),
                found.values.tolist(),
                strict=True,
            )
        ]
    drawn = record.reduced((probe,), since_ms=since, until_ms=until, buckets=buckets)[probe]
    return [
        (b.utc_ms, b.low, b.high, b.uncertainty, b.readings, b.worst, b.wetter, b.drier, b.mean)
        for b in drawn
    ]


def looks(folder: str, seed: int, ended: threading.Event) -> list[Seen]:
    """Look with one `Record` until `ended`, and once more."""
    record, of = Record(Path(folder)), random.Random(seed)  # noqa: S311 - where to look
    seen: list[Seen] = []
    while True:
        last = ended.is_set()
        kind = of.choice(
            ("latest", "after", "series", "columns", "last", "reduced", "reduced", "at", "at")
        )
        since = of.choice((T0, T0 + of.randint(-DAY, 30 * DAY), T0 - 70 * 365 * DAY))
        until = max(since, T0) + of.choice(
            (5 * MINUTE, HOUR, 7 * HOUR, 3 * DAY, 40 * DAY, 900 * DAY)
        )
        given = (of.choice(PROBES), since, until, of.choice((1, 7, 60, 700)))
        if kind == "at":
            some = tuple(of.sample(PROBES, of.randint(1, len(PROBES))))
            back = of.choice((0, MINUTE, 45 * MINUTE, 6 * HOUR, 3 * DAY, 900 * DAY))
            query: Query = (kind, (some, back, since + of.choice((0, HOUR, 3 * DAY))))
        else:
            query = (kind, of.randint(0, 900) if kind == "after" else given)
        begun = time.monotonic()
        found = look(record, query)
        seen.append(Seen(begun, time.monotonic(), query, found))
        if last:
            return seen
        ended.wait(0.01)


def looks_apart(folder: str, seed: int) -> None:
    """The same in a process of its own, until its input ends."""
    ended = threading.Event()

    def wait() -> None:
        sys.stdin.read()
        ended.set()

    threading.Thread(target=wait, daemon=True).start()
    sys.stderr.write("looks\n")
    sys.stderr.flush()
    seen = [tuple(one) for one in looks(folder, seed, ended)]
    sys.stdout.buffer.write(pickle.dumps(seen))


def plain(r: Any) -> tuple[Any, ...]:
    """A reading as the oracle says it."""
    return (r.utc_ms, bits(r.raw), r.raw_unit, r.value, r.uncertainty, r.flag, r.reason)


def bits(number: float) -> bytes:
    return struct.pack("<d", number)


def single(number: float) -> float:
    (found,) = struct.unpack("<f", struct.pack("<f", number))
    return float(found)


def none(number: float) -> float | None:
    return None if math.isnan(number) else number


def alike(query: Query, found: Any, expected: Any) -> bool:
    """Whether they are the same, but for the last digits of means."""
    if query[0] != "reduced":
        return bool(found == expected)
    return any(
        [b[:-1] for b in found] == [b[:-1] for b in other]
        and all(
            b[-1] == o[-1] or (b[-1] and o[-1] and isclose(b[-1], o[-1], rel_tol=1e-12))
            for b, o in zip(found, other, strict=True)
        )
        for other in expected
    )


def campaign(folder: Path, *, seed: int, steps: int) -> tuple[Driver, list[Seen]]:
    """Write, look meanwhile, and compare; return what was done."""
    driver = Driver(folder, seed)
    ended = threading.Event()
    seen: list[Seen] = []
    threads = [
        threading.Thread(target=lambda n=n: seen.extend(looks(str(folder), seed + n, ended)))
        for n in (1, 2)
    ]
    with subprocess.Popen(
        [sys.executable, __file__, "looks", str(folder), str(seed + 9)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as apart:
        assert apart.stderr is not None
        assert apart.stderr.readline() == b"looks\n"
        try:
            for thread in threads:
                thread.start()
            for _ in range(steps):
                driver.step()
        finally:
            ended.set()
            driver.close()
            told, wrong = apart.communicate(timeout=60)
    for thread in threads:
        thread.join(30)
    assert apart.returncode == 0, wrong.decode()
    seen += [Seen(*one) for one in pickle.loads(told)]
    followed = [state.done for state in driver.states[1:]] + [math.inf]
    for one in seen:
        could_be = [
            driver.expected(state, one.query)
            for state, until in zip(driver.states, followed, strict=True)
            if state.begun <= one.done and until >= one.begun
        ]
        assert any(alike(one.query, one.found, other) for other in could_be), (
            f"seed {seed}: {one.query} said {one.found}, not one of {could_be}"
        )
    return driver, seen


@pytest.mark.parametrize("seed", [1, 2])
def test_every_look_meanwhile_is_one_at_what_was_committed(seed: int, tmp_path: Path) -> None:
    driver, seen = campaign(tmp_path, seed=seed, steps=250)
    assert {query[0] for _, _, query, _ in seen} >= {"latest", "series", "columns", "reduced", "at"}
    with closing(connect_read_only(tmp_path / RECORD)) as db:
        (sealed,) = db.execute("SELECT count(*) FROM sealed").fetchone()
    assert sealed >= 3
    assert any(shift for state in driver.states for _, shift in state.stretches)


if __name__ == "__main__":
    if sys.argv[1] == "looks":
        looks_apart(sys.argv[2], int(sys.argv[3]))
        sys.exit()
    with tempfile.TemporaryDirectory() as made:
        what, said = campaign(Path(made), seed=int(sys.argv[1]), steps=int(sys.argv[2]))
        sys.stdout.write(f"{len(what.scans)} scans, {len(said)} looks, {what.done}\n")
