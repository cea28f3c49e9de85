"""A reservoir with a specimen over it, simulated on its own: nothing of the code tested is used.

Water evaporates with the free surface and the weather, is taken up less and less, poured in and
lost as a plan says; a level with noise, steps of quantisation and a temperature of its own is what
is read.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import exp, nan, pi, sin, sqrt
from random import Random
from typing import NamedTuple

DAY = 86_400.0
MINUTE = 60.0
LENGTH, BREADTH, PEDESTALS, HIGH = 1000.0, 400.0, 4 * 60.0 * 60.0, 30.0  # mm, mm2
UNDERSIDE, RIM, STOP, PUMP_NEEDS = 110.0, 150.0, 100.0, 25.0
FULL = LENGTH * BREADTH * 1e-6  # L/mm above the pedestals
LOW = (LENGTH * BREADTH - PEDESTALS) * 1e-6
FILM = 0.8  # L on the face while the pump runs


def litres(depth: float) -> float:
    return LOW * depth if depth <= HIGH else LOW * HIGH + FULL * (depth - HIGH)


def depth(water: float) -> float:
    return water / LOW if water <= LOW * HIGH else HIGH + (water - LOW * HIGH) / FULL


@dataclass
class Plan:
    """What happens; times in days."""

    days: float
    seed: int = 1
    pours: list[tuple[float, float]] = field(default_factory=list)  # day, litres
    bales: list[tuple[float, float]] = field(default_factory=list)
    siphons: list[tuple[float, float, float]] = field(default_factory=list)  # day, L/min, to mm
    leaks: list[tuple[float, float, float]] = field(default_factory=list)  # from, to, L/d
    stops: list[tuple[float, float]] = field(default_factory=list)  # of the pump, from, to
    away: list[tuple[float, float]] = field(default_factory=list)  # nothing measured
    stuck: list[tuple[float, float]] = field(default_factory=list)
    offset: list[tuple[float, float, float]] = field(default_factory=list)  # from, to, mm
    every: float = 60.0  # s
    noise: float = 0.15  # mm
    quantum: float = 0.1  # mm
    per_kelvin: float = 0.1  # mm/K of the sensor, not corrected
    spikes: float = 0.0002  # of readings
    evaporates: float = 1.0  # mm/d
    uptake: float = 0.4  # L/d in the long run
    weather: float = 0.25
    pan_factor: float = 1.25  # the pan loses more than the sheltered reservoir
    season: bool = True
    keeper: float | None = None  # mm under which somebody fills up to 92 mm, at noon


class Look(NamedTuple):
    at: float
    level: float
    pan: float
    flow: float
    mass: float


@dataclass
class Truth:
    """What really went where, litres since the start, one a day."""

    evaporated: list[float] = field(default_factory=list)
    taken_up: list[float] = field(default_factory=list)
    leaked: list[float] = field(default_factory=list)
    water: list[float] = field(default_factory=list)
    pours: list[tuple[float, float]] = field(default_factory=list)  # day, litres


def run(plan: Plan, truth: Truth) -> Iterator[Look | None]:
    """Readings minute by minute; None marks a time without any."""
    random = Random(plan.seed)  # noqa: S311 - a simulation
    water, pan, mass, film = litres(90.0), 80.0, 500.0, FILM
    evaporated = taken_up = leaked = 0.0
    weather, stuck_at, now = 0.0, nan, 0.0
    pours, bales = sorted(plan.pours), sorted(plan.bales)
    left, left_bale = 0.0, 0.0
    siphons = sorted(plan.siphons)
    siphon: tuple[float, float] | None = None
    while now < plan.days * DAY:
        day = now / DAY
        if now % DAY == 0.0:
            weather = 0.6 * weather + sqrt(1 - 0.36) * plan.weather * random.gauss(0, 1)
            truth.evaporated.append(evaporated)
            truth.taken_up.append(taken_up)
            truth.leaked.append(leaked)
            truth.water.append(water)
        season = 1.0 + 0.4 * sin(2 * pi * day / 365.0) if plan.season else 1.0
        drying = max(0.1, season * (1 + weather) * (1 + 0.35 * sin(2 * pi * (day - 0.3))))
        pump = not any(a <= day < b for a, b in plan.stops)
        wanted = FILM if pump else 0.0
        run_back = (film - wanted) * (1 - exp(-MINUTE / 240.0))
        film -= run_back
        water += run_back
        surface = LOW if depth(water) <= HIGH else FULL
        out = plan.evaporates * surface * drying / 1440.0
        up = (plan.uptake + 1.2 * exp(-day / 12.0)) / 1440.0 if pump else 0.0
        if pump:  # a wet face evaporates too: the specimen gives it away, the balance sees uptake
            up += 0.15 * drying / 1440.0
        lost = sum(rate for a, b, rate in plan.leaks if a <= day < b) / 1440.0
        water -= out + up + lost
        evaporated, taken_up, leaked = evaporated + out, taken_up + up, leaked + lost
        mass += up
        pan -= plan.evaporates * plan.pan_factor * drying / 1440.0
        if pan < 40.0:
            pan = 80.0
        if plan.keeper is not None and now % DAY == DAY / 2 and depth(water) < plan.keeper:
            left += litres(92.0) - water
            truth.pours.append((day, left))
        if pours and day >= pours[0][0]:
            truth.pours.append(pours[0])
            left += pours.pop(0)[1]
        poured = min(left, 4.0)  # a can a minute
        left -= poured
        water += poured
        if bales and day >= bales[0][0]:
            left_bale += bales.pop(0)[1]
        baled = min(left_bale, 5.0)
        left_bale -= baled
        water -= baled
        if siphons and day >= siphons[0][0]:
            siphon = siphons.pop(0)[1:]
        if siphon is not None:
            drawn = min(siphon[0], max(0.0, water - litres(siphon[1])))
            water -= drawn
            leaked += drawn
            if drawn == 0.0:
                siphon = None
        water = min(max(water, 0.0), litres(RIM))
        now += MINUTE
        if now % plan.every:
            continue
        if any(a <= day < b for a, b in plan.away):
            yield None
            continue
        kelvin = 3.0 * sin(2 * pi * (day - 0.4))
        slosh = random.gauss(0, 2.0) if poured or baled else 0.0
        level = depth(water) + random.gauss(0, plan.noise) + plan.per_kelvin * kelvin + slosh
        level += sum(mm for a, b, mm in plan.offset if a <= day < b)
        if random.random() < plan.spikes:
            level += random.choice([-1, 1]) * random.uniform(5, 60)
        if any(a <= day < b for a, b in plan.stuck):
            stuck_at = level if stuck_at != stuck_at else stuck_at
            level = stuck_at
        else:
            stuck_at = nan
        level = round(level / plan.quantum) * plan.quantum
        yield Look(
            now,
            level,
            pan + random.gauss(0, 0.1),
            random.gauss(1.0, 0.02) if pump else 0.0,
            mass + random.gauss(0, 0.02),
        )
