"""What is told of simulated years of wetting rigs: whether, how soon, and how often wrongly."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from statistics import median, quantiles

from bench.figures import Figure, Unmeasured, scratch
from bench.waterpeers import PEERS, days_left, hourly
from faults.water import lived
from faults.waterjudged import FALSE_A_MONTH, MONTH, Verdict
from faults.waterworld.happenings import SENSOR_FAULTS, Kind
from faults.waterworld.shape import SHAPES, Shape
from faults.waterworld.weather import DAY, HOUR
from faults.waterworld.world import World, days_until
from longsoak.store.reader import Record

SEED = 4
# Which kinds of happening make one figure.
FOUND: Mapping[str, tuple[Kind, ...]] = {
    "top-ups": (Kind.TOP_UP,),
    "overfills": (Kind.OVERFILL,),
    "contacts": (Kind.CONTACT,),
    "leaks and siphons": (Kind.LEAK, Kind.SIPHON),
    "pump stops": (Kind.PUMP_STOP,),
    "sensor faults": SENSOR_FAULTS,
}
FIRST, EVERY = 30 * 24, 60  # h: when it is first asked how long the water lasts, and how often
SHORTEST = 1.0  # days that are still to be foreseen
WITHIN = 10.0  # %
_GOAL = "the goal itself"


@dataclass(frozen=True, slots=True)
class Year:
    """One rig's year: what was told, and by how much of the truth each peer was off, %."""

    verdict: Verdict
    off: dict[str, list[float]]


def figures() -> list[Figure | Unmeasured]:
    """Measure all."""
    with get_context("fork").Pool(2) as pool:
        years = pool.map(_year, SHAPES, chunksize=1)
    verdicts = [year.verdict for year in years]
    return [*_told(verdicts), _false(verdicts), *_days_left(years)]


def _year(shape: Shape) -> Year:
    with scratch() as folder:
        script, verdict = lived(shape, folder / "record", seed=SEED, short=False)
        off = _off(script.world, Record(folder / "record"))
    return Year(verdict, off)


def _off(world: World, record: Record) -> dict[str, list[float]]:
    """By how much a line through the last day misses how long the water lasted."""
    off: dict[str, list[float]] = {name: [] for name in PEERS}
    for number in range(FIRST, len(world.hours), EVERY):
        truth = days_until(world, number, world.shape.pump_needs)
        if truth is None or truth < SHORTEST:
            continue
        level = hourly(record, world.shape, until=(number + 1) * HOUR)
        for name, line in PEERS.items():
            left = days_left(level, world.shape, line)
            if left is not None:
                off[name].append(100 * abs(left / truth - 1))
    return off


def _told(verdicts: Sequence[Verdict]) -> Iterator[Figure]:
    missed = Counter(each.kind for verdict in verdicts for each in verdict.missed)
    delays: dict[Kind, list[float]] = {}
    for verdict in verdicts:
        for kind, late in verdict.delays.items():
            delays.setdefault(kind, []).extend(late)
    for name, kinds in FOUND.items():
        late = [delay for kind in kinds for delay in delays.get(kind, [])]
        all_of_them = len(late) + sum(missed[kind] for kind in kinds)
        says = f"{name}: {len(late)} of {all_of_them} found"
        if late:
            says += f", half of them within {median(late) / HOUR:.2g} h"
        share = 100 * len(late) / all_of_them
        yield Figure(says, share, "%", 100.0, _GOAL, share / 100, at_least=True)


def _false(verdicts: Sequence[Verdict]) -> Figure:
    months = sum(verdict.days * DAY for verdict in verdicts) / MONTH
    false = sum(len(verdict.false) for verdict in verdicts)
    a_month = false / months
    return Figure(
        f"false alarms: {false} in {months:.0f} rig-months",
        a_month,
        "a rig and month",
        FALSE_A_MONTH,
        _GOAL,
        a_month / FALSE_A_MONTH,
    )


def _days_left(years: Sequence[Year]) -> Iterator[Unmeasured]:
    """How far off the days are that are left until the pump would suck air."""
    for name in PEERS:
        off = [each for year in years for each in year.off[name]]
        yield Unmeasured(
            f"days until the pump would suck air, beside {name}",
            f"<= {WITHIN:g} %",
            "nothing foresees them yet; the peer is off by "
            f"{median(off):.0f} % (half of {len(off)} times) and {quantiles(off, n=10)[-1]:.0f} %"
            " (9 of 10 times)",
        )
