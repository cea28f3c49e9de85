"""What is told of simulated years of wetting rigs: whether, how soon, and how often wrongly."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from statistics import median, quantiles

from bench.figures import Figure, scratch
from bench.waterbook import Books, books_of, left_by_truth, lost_before, top_up_off
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
RATE_WITHIN, DAYS_WITHIN, INSIDE = 5.0, 10.0, 90.0  # %
OURS, BEST = "ours", "scipy theilslopes of the last 24 h"
TRUTH = "the true losses of these weeks"  # whoever knows no weather to come misses by as much
_GOAL = "the goal itself"


@dataclass(frozen=True, slots=True)
class Year:
    """One rig's year: what was told, and by how much of the truth figures were off, %.

    `days` are those left until the pump would suck air, ours and each peer's in the same order,
    `steady` ours against what they would be if the true losses of the weeks before went on,
    `inside` whether the truth lay in the range that was said; `rates` what was lost in the days
    before, ours and a peer's; `litres` those of top-ups.
    """

    verdict: Verdict
    days: dict[str, list[float]]
    steady: list[float]
    inside: list[bool]
    rates: list[tuple[float, float]]
    litres: list[float]


def figures() -> list[Figure]:
    """Measure all."""
    with get_context("fork").Pool(2) as pool:
        years = pool.map(_year, SHAPES, chunksize=1)
    verdicts = [year.verdict for year in years]
    return [*_told(verdicts), _false(verdicts), *_off(years)]


def _year(shape: Shape) -> Year:
    with scratch() as folder:
        script, verdict = lived(shape, folder / "record", seed=SEED, short=False)
        books = books_of(folder / "record", shape)
        days, steady, inside, rates = _asked(script.world, Record(folder / "record"), books)
    poured = [
        (each.begins, each.ends, each.litres)
        for each in script.happened
        if each.kind is Kind.TOP_UP and each.demanded and each.litres is not None
    ]
    return Year(verdict, days, steady, inside, rates, top_up_off(books, poured))


def _asked(
    world: World, record: Record, books: Books
) -> tuple[dict[str, list[float]], list[float], list[bool], list[tuple[float, float]]]:
    """What is answered every few days, against the truth: see `Year`."""
    days: dict[str, list[float]] = {name: [] for name in (OURS, *PEERS, TRUTH)}
    steady: list[float] = []
    inside: list[bool] = []
    rates: list[tuple[float, float]] = []
    for number in range(FIRST, len(world.hours), EVERY):
        level = hourly(record, world.shape, until=(number + 1) * HOUR)
        if not level.litres:
            continue
        lost = lost_before(world, number)
        stands = books.standing(number, level=world.shape.depth(level.litres[-1]))
        told = None if stands is None else stands.lost
        if lost is not None and told is not None and len(level.hours) > 1:
            peer = 24 * PEERS[BEST](*level)
            rates.append((100 * abs(told.per_day / lost - 1), 100 * abs(peer / lost - 1)))
        truth = days_until(world, number, world.shape.pump_needs)
        if truth is None or truth < SHORTEST:
            continue
        lefts = {name: days_left(level, world.shape, line) for name, line in PEERS.items()}
        said = None if stands is None else stands.pump_dry
        lefts[TRUTH] = goes_on = left_by_truth(world, number)
        if said is None or goes_on is None or None in lefts.values():
            continue
        steady.append(100 * abs(said.days / goes_on - 1))
        inside.append(said.low <= truth <= said.high)
        for name, left in {OURS: said.days, **lefts}.items():
            if left is not None:
                days[name].append(100 * abs(left / truth - 1))
    return days, steady, inside, rates


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


def _off(years: Sequence[Year]) -> Iterator[Figure]:
    """How far off the figures of the balance are."""
    litres = [each for year in years for each in year.litres]
    yield Figure(
        f"litres of top-ups, half of {len(litres)}",
        median(litres),
        "% off",
        RATE_WITHIN,
        _GOAL,
        median(litres) / RATE_WITHIN,
    )
    rates = [each for year in years for each in year.rates]
    ours, peers = ([each[n] for each in rates] for n in (0, 1))
    for says, of in (("half", median), ("9 of 10", _most)):
        yield Figure(
            f"evaporated and taken up a day, {says} of {len(rates)} times",
            of(ours),
            "% off",
            RATE_WITHIN,
            BEST,
            of(ours) / of(peers),
        )
    names = (*PEERS, TRUTH)
    days = {name: [each for year in years for each in year.days[name]] for name in (OURS, *names)}
    for name in names:
        for says, of in (("half", median), ("9 of 10", _most)):
            yield Figure(
                f"days until the pump would suck air, {says} of {len(days[OURS])} times",
                of(days[OURS]),
                "% off",
                DAYS_WITHIN,
                name,
                of(days[OURS]) / of(days[name]),
            )
    steady = [each for year in years for each in year.steady]
    for says, of in (("half", median), ("9 of 10", _most)):
        yield Figure(
            f"the same if these weeks' weather went on, {says} of {len(steady)} times",
            of(steady),
            "% off",
            DAYS_WITHIN,
            _GOAL,
            of(steady) / DAYS_WITHIN,
        )
    inside = [each for year in years for each in year.inside]
    share = 100 * sum(inside) / len(inside)
    yield Figure(
        "days until the pump would suck air: the truth lies within the range that is said",
        share,
        "%",
        INSIDE,
        _GOAL,
        share / INSIDE,
        at_least=True,
    )


def _most(values: Sequence[float]) -> float:
    return quantiles(values, n=10)[-1]
