"""How many failing sensors are found, how soon, and how often a sound one is blamed.

Faults and readings come from the demo's model (bench/stretches.py), never from what the detectors
assume. Of probes that are compared with one another no more than one fails in a stretch. Bounds
are Clopper and Pearson's, 99 %.
"""

import random
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from functools import cache
from multiprocessing import get_context
from statistics import median

import numpy as np
from ioos_qc import qartod
from scipy import stats

from bench import longrecord
from bench.figures import Figure, in_turn, scratch
from bench.stretches import (
    BEGAN_MS,
    DAY,
    DAYS,
    EVERY,
    RIGS,
    Injected,
    Outcome,
    Told,
    Truth,
    lived_through,
    rig,
    truth,
)
from longsoak.core.quality.faults import Readings
from longsoak.core.quality.health import RigHealth
from longsoak.service.healthkeeping import HealthKeeping
from longsoak.store.health import HealthRecord
from longsoak.store.writer import RecordWriter
from longsoak_demo.events import Kind
from longsoak_demo.faults import Fault
from longsoak_demo.places import FRONT_END, PLACES, Place

STRETCHES, SOUND = 200, 30  # stretches, and those of them in which nothing fails
AT_ONCE = 6  # faults in one stretch, each among probes of its own
_THRESHOLDS = "fixed thresholds alone: single readings, and 2 % of a reference resistor"
WHAT = (
    "open",
    "short",
    "stuck",
    "step",
    "noise",
    "leakage",
    "front-end drift",
    "drift of 1 %MC in 30 days",
    "drift of 2 %RH in 30 days",
    "polarisation",
)
_STEP = {"pins": 2.0, "humidity": 5.0, "temperature": 2.0}
_NOISE = {"pins": 0.2, "humidity": 2.0, "temperature": 0.5}
_MOST = {WHAT[7]: (2.0, 1.0, "2 %MC"), WHAT[8]: (4.0, 2.0, "4 %RH")}  # and in 30 days


def figures() -> list[Figure]:
    """Measure all."""
    with get_context("fork").Pool(2) as pool:
        truths = pool.map(truth, range(RIGS))
    with get_context("fork").Pool(2, initializer=_set, initargs=(truths,)) as pool:
        told = pool.map(_one, range(STRETCHES), chunksize=4)
    outcomes = [outcome for each in told for outcome in each.outcomes]
    return [
        *(figure for what in WHAT for figure in _found(what, outcomes)),
        *_false(told),
        *_speed(),
    ]


_truths: list[Truth] = []


def _set(truths: list[Truth]) -> None:
    _truths[:] = truths


def _one(seed: int) -> Told:
    return lived_through(seed, _truths, planned(seed, _truths))


def planned(seed: int, truths: Sequence[Truth]) -> list[Injected]:
    """What fails in one stretch: each kind of fault as often as any other, over all of them."""
    if seed >= STRETCHES - SOUND:
        return []
    source = random.Random(f"faults {seed}")  # noqa: S311 - what fails, not secrets
    free = [*_groups()]
    source.shuffle(free)
    found = []
    whats = [WHAT[(seed * AT_ONCE + n) % len(WHAT)] for n in range(AT_ONCE)]
    whats.sort(key=lambda what: what != WHAT[9])  # which can be at few places only
    for what in whats:
        group = next(g for g in free if _can(what, g))
        free.remove(group)
        found.append(_injected(what, source.choice(group), source))
    return found


@cache
def _groups() -> tuple[tuple[Place, ...], ...]:
    """Probes that are compared with one another."""
    kept: dict[tuple[object, ...], list[Place]] = {}
    for place in PLACES:
        if place.kind == "pins":
            kept.setdefault((place.bay, place.depth), []).append(place)
        elif place.kind in ("humidity", "temperature"):
            kept.setdefault((place.kind,), []).append(place)
        elif place.kind == "reference resistor":
            kept[place.name,] = [place]
    return tuple(tuple(group) for group in kept.values())


def _can(what: str, group: Sequence[Place]) -> bool:
    kind = group[0].kind
    if what == WHAT[6]:
        return kind == "reference resistor"
    if what == WHAT[8]:
        return kind == "humidity"
    if what == WHAT[9]:
        return group[0].bus == FRONT_END and kind == "pins"
    # The only humidity probes are left to the drift that needs them.
    return kind == "pins" or (kind == "temperature" and what in WHAT[2:5])


def _injected(what: str, place: Place, source: random.Random) -> Injected:
    latest = 28.0 if what in WHAT[6:9] else 80.0  # a drift has two months to show
    began = round(source.uniform(8.0, latest) * DAY / EVERY) * EVERY
    sign = source.choice((-1.0, 1.0))
    fault = {
        WHAT[0]: Fault(Kind.OPEN_WIRE, began),
        WHAT[1]: Fault(Kind.SHORT, began),
        WHAT[2]: Fault(Kind.STUCK, began),
        WHAT[3]: Fault(Kind.STEP, began, sign * _STEP.get(place.kind, 0.0)),
        WHAT[4]: Fault(Kind.NOISE, began, _NOISE.get(place.kind, 0.0)),
        # A plug that ends up with a half to four times the conductance of the wood.
        WHAT[5]: Fault(Kind.LEAKAGE, began, source.uniform(0.25, 2.0)),
        WHAT[6]: Fault(Kind.GAIN, began, 3.0 * sign),
        WHAT[7]: Fault(Kind.CREEP, began, sign),
        WHAT[8]: Fault(Kind.CREEP, began, 2.0 * sign),
        WHAT[9]: Fault(Kind.POLARISATION, began, sign * source.uniform(100.0, 600.0)),
    }[what]
    return Injected(what, place, fault)


def _found(what: str, outcomes: Sequence[Outcome]) -> Iterator[Figure]:
    those = [outcome for outcome in outcomes if outcome.what == what]
    delays = [outcome.delay for outcome in those if outcome.delay is not None]
    by_thresholds = sum(outcome.by_thresholds for outcome in those)
    name = f"{what}: {len(delays)} of {len(those)} found{_bounds(len(delays), len(those))}"
    if delays:
        name += f", after {median(delays):.1f} days (half of them), {max(delays):.1f} (all)"
    share = 100 * len(delays) / len(those)
    ratio = len(delays) / by_thresholds if by_thresholds else float("inf")
    yield Figure(name, share, "%", 97.0, _THRESHOLDS, ratio, at_least=True)
    if what in _MOST:
        most, month, words = _MOST[what]
        early = sum(month * delay / 30 <= most for delay in delays)
        name = f"{what}: found before it is {words} off{_bounds(early, len(those))}"
        yield Figure(name, 100 * early / len(those), "%", 97.0, _THRESHOLDS, ratio, at_least=True)


def _bounds(k: int, n: int) -> str:
    low, high = stats.binomtest(k, n).proportion_ci(0.99)
    return f" (99 % bounds {100 * low:.1f} to {100 * high:.1f} %)"


def _false(told: Sequence[Told]) -> Iterator[Figure]:
    months = DAYS / 30
    sound, sick = told[-SOUND:], told[:-SOUND]
    judged = sum(
        place.kind not in ("level", "float", "flow", "pump current", "polarisation")
        for place in PLACES
    )
    for name, some in (("where nothing fails", sound), ("beside faults", sick)):
        false = sum(len(each.false) for each in some)
        rig_months = len(some) * months
        high = stats.chi2.ppf(0.995, 2 * (false + 1)) / 2  # of a Poisson count
        said = f"{name}: {false} in {rig_months:g} rig-months, at most {high:.1f} with 99 %"
        peer = f"{len(some)} stretches of {DAYS} days, {judged} probes judged"
        a_month, a_year = false / rig_months, false / (rig_months / 12 * judged)
        yield Figure(f"false alarms {said}", a_month, "a rig and month", 1.0, peer, a_month)
        yield Figure(f"false alarms {name}", a_year, "a probe and year", 0.2, peer, a_year)


def _speed() -> Iterator[Figure]:
    """The same steps over arrays, and over a record in the store."""
    probe = next(p for p in rig().probes if p.kind == "pins")
    draws = np.random.default_rng(4)
    n = 96 * 1000
    seconds = BEGAN_MS / 1000 + EVERY * np.arange(n)
    values = 15 + np.sin(np.arange(n) / 900) + draws.normal(0, 0.05, n)
    times = [round(1000 * s) for s in seconds]
    column = values.tolist()
    stamps = (seconds * 1e9).astype("datetime64[ns]")

    def ours() -> None:
        health = RigHealth(rig())
        for at in range(0, n, 96):
            some = slice(at, at + 96)
            flags = (1,) * 96
            health.take(
                probe.name, Readings(times[some], column[some], column[some], flags, (0,) * 96)
            )
        health.close_days(times[-1])

    def theirs() -> None:
        qartod.gross_range_test(values, fail_span=(0, 100), suspect_span=(4, 60))
        qartod.rate_of_change_test(values, stamps, 0.004)
        qartod.spike_test(values, 1.5, method="differential")
        qartod.flat_line_test(values, stamps, 86_400, 259_200, 1e-9)

    taken, _, ratio = in_turn(ours, theirs)
    peer = "ioos_qc: gross range, rate, spike, flat line, of the whole array at once"
    yield Figure(
        "judging again, as arrays, with all faults",
        n / taken,
        "readings a second",
        1e5,
        peer,
        ratio,
        at_least=True,
    )
    yield _from_the_store()


def _from_the_store() -> Figure:
    probes, scans = len(PLACES), 40_000
    with scratch() as folder:
        longrecord.fill(folder / "record", names=longrecord.numbered(probes), scans=scans)
        named = [replace(p, name=f"P{n}", every=60.0) for n, p in enumerate(rig().probes)]
        of = replace(rig(), probes=tuple(named))
        with closing(RecordWriter(folder / "record", now="2027-05-04T00:00:00.000Z")) as writer:
            chore = HealthKeeping(folder / "record", writer, of)
            start = time.perf_counter()
            while not chore.do(now=0.0, utc_ms=0)[0]:
                pass
            taken = time.perf_counter() - start
        memory = HealthRecord(folder / "record").memory()
        assert memory is not None
        assert memory.scan >= scans - 4096
    return Figure(
        "judging a record again from the store, with all faults",
        probes * scans / taken,
        "readings a second",
        1e5,
        "the goal itself",
        probes * scans / taken / 1e5,
        at_least=True,
    )
