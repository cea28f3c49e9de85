"""A rig whose probes are judged: four pairs of pins and the air, well or with something wrong."""

from collections.abc import Callable
from dataclasses import replace
from math import pi, sin
from random import Random

from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.rig import Kind, Probe, Rig
from rigs import small_rig

BEGAN = 20_000  # the first day
A_DAY = 96  # readings: one each 15 min
HEIGHTS = (60, 160, 260, 360)
PINS = tuple(f"C 30/{height}" for height in HEIGHTS)

# A reading: raw, value, flag, reason.
Row = tuple[float, float, Flag, Reason]
Seen = Callable[[int, float], Row]  # of the reading's number and what a sound probe gives

PASS, NONE = Flag.PASS, Reason.NONE


def rig(*pins: str) -> Rig:
    small = small_rig()
    like = next(p for p in small.probes if p.name == "C 30/60")
    wood = [replace(like, name=name, height=float(name.split("/")[1])) for name in pins or PINS]
    air = [
        replace(
            p, name=f"{p.name} {n}", every=900, bay=None, depth=None, height=None, place=f"air {n}"
        )
        for p in small.probes
        if p.kind in (Kind.HUMIDITY, Kind.TEMPERATURE)
        for n in range(3)
    ]
    rest = [replace(p, every=900) for p in small.probes if p.kind is Kind.REFERENCE]
    return replace(small, probes=(*wood, *air, *rest))


def sound(probe: Probe, at: int, source: Random) -> float:
    """What a probe that works gives: wood that gets wet and stays so, air with its weather."""
    day = at / A_DAY
    wave = sin(2 * pi * day) + sin(2 * pi * day / 6.3)
    if probe.kind is Kind.PINS:
        wet: float = 1 - 0.5 ** (day / (4 + (probe.height or 0) / 300))
        return 9 + 10 * wet + source.gauss(0, 0.05)
    if probe.kind is Kind.HUMIDITY:
        return 52 + 4 * wave + source.gauss(0, 0.2)
    if probe.kind is Kind.TEMPERATURE:
        return 19 + wave + source.gauss(0, 0.04)
    if probe.kind is Kind.PUMP_CURRENT:
        return 0.6
    return 1e7 * (1 + source.gauss(0, 0.0005))


def as_it_is(_at: int, value: float) -> Row:
    return value, value, PASS, NONE


def shifted(by: Callable[[float], float]) -> Seen:
    """A reading that is off by what a function of its day says."""

    def seen(at: int, value: float) -> Row:
        value += by(at / A_DAY)
        return value, value, PASS, NONE

    return seen
