"""Stretches of three months of the demo's rig, with and without sensors that fail.

What is true and what instruments read of it is the demo's model alone; all of it is invented. The
truth of four rigs is simulated once, each with a pump that stops now and then, and every stretch is
cut out of one of them. Each pair of pins sits in wood of its own, which is a little wetter or drier
than the model's, and later.
"""

import random
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from longsoak.core.convert import Conversion
from longsoak.core.quality.faults import Readings
from longsoak.core.quality.health import News, RigHealth
from longsoak.rigfile.load import parse
from longsoak.service.drivers import find_kind
from longsoak.vocabulary.health import Finding
from longsoak.vocabulary.rig import Rig
from longsoak.vocabulary.sample import Sample
from longsoak_demo import places
from longsoak_demo.bench import NOISE, Bench
from longsoak_demo.events import Kind
from longsoak_demo.faults import Fault, metered, other, pins
from longsoak_demo.physics import RenderPair
from longsoak_demo.places import PLACES, Place
from longsoak_demo.rigtext import rig_text
from longsoak_demo.wood import resistance

EVERY = 900.0  # s
A_DAY = 96  # readings
DAYS = 90
N = DAYS * A_DAY
DAY = 86_400.0
DAY_MS = 86_400_000
BEGAN_MS = 20_577 * DAY_MS  # 4 May 2026
RIGS, LIVED = 4, 210  # rigs, and days each is simulated
_LATER = 96  # readings that wood may be later than the model's
_STEP = 180.0  # s of simulated time
_UNIT = {
    "pins": "Ohm",
    "reference resistor": "Ohm",
    "humidity": "%",
    "temperature": "Cel",
    "level": "mV",
    "float": "1",
    "flow": "L/min",
    "pump current": "A",
    "polarisation": "mV",
}
_RESOLUTION = {"humidity": 0.1, "temperature": 1 / 16, "pump current": 0.01, "flow": 0.01}
_FULL_SCALE, _OVER = 1.2e11, 9.9e37  # Ohm, as the demo's meter has them

Array = npt.NDArray[np.float64]


class Truth(NamedTuple):
    """What is at each place, as its instrument would tell it; wetness and warmth where pins are."""

    seen: dict[str, Array]
    wet: dict[str, Array]
    warm: dict[str, Array]


@dataclass(frozen=True, slots=True)
class Injected:
    """One fault of one probe, or of a whole bus; `what` names it in the table."""

    what: str
    place: Place
    fault: Fault


class Outcome(NamedTuple):
    """What became of one injection; times in days, None where it was never found."""

    what: str
    delay: float | None
    by_thresholds: bool


class Told(NamedTuple):
    """What was told of one stretch."""

    outcomes: list[Outcome]
    false: list[str]


@lru_cache(maxsize=1)
def rig() -> Rig:
    """The demo's rig, read every 15 minutes."""
    text = re.sub(r"every = \d+", f"every = {EVERY:g}", rig_text(Path("demo"), page=None))
    return parse(text, file="rig.toml", find_kind=find_kind)


def truth(number: int) -> Truth:
    """Live through one rig's time, with a pump that stops for hours now and then."""
    source = random.Random(f"rig {number}")  # noqa: S311 - what happens, not secrets
    pair = RenderPair()
    stops = sorted(source.uniform(5, LIVED) * DAY for _ in range(5))
    until = [stop + source.uniform(2, 36) * 3600 for stop in stops]
    seen: dict[str, list[float]] = {place.name: [] for place in PLACES}
    wet: dict[str, list[float]] = {p.name: [] for p in PLACES if p.kind == "pins"}
    warm: dict[str, list[float]] = {name: [] for name in wet}
    bench = Bench(pair, seed=number)
    for _ in range(LIVED * A_DAY):
        pair.tray.pump_on = not any(
            stop <= pair.time < end for stop, end in zip(stops, until, strict=True)
        )
        for _ in range(round(EVERY / _STEP)):
            pair.step(_STEP)
        for place in PLACES:
            seen[place.name].append(
                float(pair.tray.float_lifted) if place.kind == "float" else bench.truth(place)
            )
            if place.kind == "pins" and place.bay and place.depth and place.height:
                wet[place.name].append(
                    pair.moisture(place.bay, depth=place.depth, height=place.height)
                )
                warm[place.name].append(pair.warmth(place.bay, depth=place.depth))
    return Truth(*({k: np.array(v) for k, v in part.items()} for part in (seen, wet, warm)))


def lived_through(seed: int, truths: Sequence[Truth], injected: Sequence[Injected]) -> Told:
    """Read one stretch as the rig does, judge it day by day, and say what was found."""
    source = random.Random(f"stretch {seed}")  # noqa: S311 - noise, not secrets
    draws = np.random.default_rng(seed)
    of = truths[seed % len(truths)]
    first = source.randrange(_LATER, LIVED * A_DAY - N)
    injected = [_settled(each, of, first) for each in injected]
    raw = [_read(place, of, first, draws, source, injected) for place in PLACES]
    conversion, health = Conversion(rig()), RigHealth(rig())
    names, units = [p.name for p in PLACES], [_UNIT[p.kind] for p in PLACES]
    news: list[News] = []
    flagged: dict[str, list[int]] = {name: [] for name in names}  # readings that don't pass alone
    for day in range(DAYS):
        number = range(day * A_DAY, (day + 1) * A_DAY)
        rows = [
            conversion.rows(
                [Sample(n, float(r[i]), u) for n, r, u in zip(names, raw, units, strict=True)],
                now=i * EVERY,
            )
            for i in number
        ]
        times = [BEGAN_MS + round(i * EVERY * 1000) for i in number]
        for at, name in enumerate(names):
            read, _, values, _, flags, reasons = zip(*(row[at] for row in rows), strict=True)
            news += health.take(name, Readings(times, read, values, flags, reasons))
            flagged[name] += [number[i] for i, flag in enumerate(flags) if flag > 1]
            if name in _REFERENCES:
                off = [abs(value / places.REFERENCE_OHMS - 1) for value in values]
                flagged[name] += [number[i] for i, share in enumerate(off) if share >= 0.02]
        news += health.close_days(BEGAN_MS + (day + 1) * DAY_MS)[0]
    return _told(news, flagged, injected)


def _settled(each: Injected, of: Truth, first: int) -> Injected:
    """A leakage with its resistance, which was planned as a multiple of the wood's own."""
    fault, name = each.fault, each.place.name
    if fault.kind is not Kind.LEAKAGE:
        return each
    at = first + round(fault.began / EVERY)
    ohm = resistance(float(of.wet[name][at]), float(of.warm[name][at]))
    return replace(each, fault=replace(fault, amount=fault.amount * ohm))


_REFERENCES = {p.name for p in PLACES if p.kind == "reference resistor"}


def _told(
    news: Sequence[News], flagged: dict[str, list[int]], injected: Sequence[Injected]
) -> Told:
    found = [n for n in news if isinstance(n, Finding) and not n.over]
    outcomes = []
    for each in injected:
        began_ms = BEGAN_MS + each.fault.began * 1000
        hits = [f.found_ms for f in found if f.probe == each.place.name and f.found_ms >= began_ms]
        delay = (min(hits) - began_ms) / DAY_MS if hits else None
        after = [i for i in flagged[each.place.name] if i * EVERY >= each.fault.began]
        outcomes.append(Outcome(each.what, delay, len(after) >= 3))
    false = {
        (f.probe, f.fault): f.says
        for f in found
        if not any(
            (f.probe == each.place.name or _same_bus(f, each))
            and f.found_ms >= BEGAN_MS + each.fault.began * 1000
            for each in injected
        )
    }
    return Told(outcomes, list(false.values()))


def _same_bus(finding: Finding, each: Injected) -> bool:
    """Whether a front end that drifts may well show in this probe too."""
    bus = next(place.bus for place in PLACES if place.name == finding.probe)
    return each.fault.kind is Kind.GAIN and bus == each.place.bus


def _read(
    place: Place,
    of: Truth,
    first: int,
    draws: np.random.Generator,
    source: random.Random,
    injected: Sequence[Injected],
) -> Array:
    """What an instrument gives of one place, from `first` of its rig's readings on."""
    noise = draws.normal(0.0, NOISE.get(place.kind, 0.0), N)
    faults = [
        each.fault
        for each in injected
        if each.place is place
        or each.place.name == place.pair
        or (each.fault.kind is Kind.GAIN and each.place.bus == place.bus and place.kind == "pins")
    ]
    seen = of.seen[place.name][first : first + N]
    wet = warm = seen
    if place.kind == "pins":
        later = source.randrange(_LATER)
        own = source.gauss(1.0, 0.03), source.gauss(0.0, 0.3)
        wet = of.wet[place.name][first - later : first - later + N] * own[0] + own[1]
        warm = of.warm[place.name][first : first + N]
    values = seen + noise
    if place.kind in ("pins", "reference resistor") or faults:
        for i in range(N):
            time = i * EVERY
            acting = [fault for fault in faults if fault.began <= time]
            jitter = source.gauss(0.0, 1.0) if acting else 0.0
            if place.pair is not None:
                values[i] += sum(fault.voltage(time) for fault in acting)
            elif place.kind == "reference resistor":
                values[i] = metered(seen[i], acting, noise=noise[i], time=time)
            elif place.kind == "pins" and acting:
                values[i] = pins(wet[i], warm[i], acting, noise=noise[i], jitter=jitter, time=time)
            elif place.kind == "pins":
                values[i] = resistance(wet[i], warm[i]) * (1 + noise[i])
            elif acting:
                values[i] = other(seen[i], acting, noise=noise[i], jitter=jitter, time=time)
    values = _as_told(place, values)
    for fault in faults:
        if fault.kind is Kind.STUCK:
            at = round(fault.began / EVERY)
            values[at:] = values[at - 1]
    return values


def _as_told(place: Place, values: Array) -> Array:
    """As far as the instrument can tell it."""
    if place.kind == "humidity":
        values = np.clip(values, 0.0, 100.0)
    if place.kind in places.PUMP:
        values = np.maximum(values, 0.0)
    if place.kind == "level":
        return np.round((values - places.LEVEL_ZERO) / places.LEVEL_PER_MV)
    if place.kind in ("pins", "reference resistor"):
        return np.where(values > _FULL_SCALE, _OVER, values)
    step = _RESOLUTION.get(place.kind)
    return values if step is None else np.round(values / step) * step
