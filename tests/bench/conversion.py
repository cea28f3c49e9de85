"""What a conversion costs: one reading with its uncertainty, and arrays without."""

import math
from bisect import bisect_left
from collections.abc import Callable

import numpy as np

from bench.figures import Figure, in_turn
from longsoak.core.resistance import Budget, Reach, moisture_content, prepare
from longsoak.core.resistances import moisture_contents
from longsoak.rigfile.curves import shipped

N = 20_000
ROWS = 1_000_000
LEAK = 1e11  # Ohm
TABLE, CLOSED = "Douglas-fir (coast)", "Douglas-fir, closed form"


def figures() -> list[Figure]:
    """Measure both."""
    random = np.random.default_rng(3)
    ohm = 10 ** random.uniform(6.0, 10.0, ROWS)
    celsius = random.uniform(5.0, 30.0, ROWS)
    pairs = list(zip(ohm[:N].tolist(), celsius[:N].tolist(), strict=True))
    found = [
        one_by_one(TABLE, pairs, table_by_hand, "bisection and a straight line between two rows"),
        one_by_one(CLOSED, pairs, closed_by_hand, "the formula"),
    ]
    closed = prepare(shipped()[CLOSED])
    _, _, ratio = in_turn(
        lambda: moisture_contents(ohm, celsius, closed), lambda: many_by_hand(ohm, celsius)
    )
    found.append(
        Figure(
            "a million readings as arrays, what lies beyond the curve marked",
            ratio,
            "x",
            2.0,
            "the same formula hand-written in numpy, nothing marked",
            ratio,
        )
    )
    return found


def one_by_one(
    name: str,
    pairs: list[tuple[float, float]],
    by_hand: Callable[[float, float], tuple[float, float]],
    how: str,
) -> Figure:
    """One reading after the other, beside the same two quantities from a plain script."""
    curve, budget = prepare(shipped()[name]), Budget(insulation=LEAK)
    for r, t in pairs:  # no race between two that do different work
        ours = moisture_content(r, t, curve, budget)
        value, spread = by_hand(r, t)
        if ours.reach is Reach.WITHIN and not (
            math.isclose(ours.value, value, rel_tol=1e-9)
            and math.isclose(ours.uncertainty, spread, rel_tol=1e-9)
        ):
            raise AssertionError(f"{name}, {r} Ohm, {t} degC: {ours} and {value, spread} by hand")

    def daemon() -> None:
        for r, t in pairs:
            moisture_content(r, t, curve, budget)

    def peer() -> None:
        for r, t in pairs:
            by_hand(r, t)

    seconds, _, ratio = in_turn(daemon, peer)
    return Figure(
        f"one reading with uncertainty and leakage, {name}",
        seconds / N * 1e6,
        "us",
        4.0,
        f"value and uncertainty by hand: {how}, the six parts, no checks",
        ratio,
    )


_ROWS = sorted((math.log10(r), u) for u, r in shipped()[TABLE].points)
XS, US = [x for x, _ in _ROWS], [u for _, u in _ROWS]
LN_10, ROOT_3 = math.log(10), math.sqrt(3)
FACTOR = 0.881 * 1.0056**26.7
ZERO = 0.567 - 0.0260 * 26.7 + 0.000051 * 26.7**2


def table_at(x: float) -> tuple[float, float]:
    """Moisture content and slope, straight between two rows."""
    i = min(max(bisect_left(XS, x), 1), len(XS) - 1)
    slope = (US[i] - US[i - 1]) / (XS[i] - XS[i - 1])
    return US[i - 1] + slope * (x - XS[i - 1]), slope


def closed_at(x: float) -> tuple[float, float]:
    """The same by the formula."""
    u = 10 ** (2.99 - 2.113 * math.log10(x))
    return u, -2.113 * u / x


DRIEST = {TABLE: XS[-1], CLOSED: prepare(shipped()[CLOSED]).dry_end}


def table_by_hand(r: float, t: float) -> tuple[float, float]:
    """A value and its standard uncertainty, as a script for this one table would have it."""
    x = math.log10(r)
    u, slope = table_at(x)
    leaking = r / LEAK
    drier = DRIEST[TABLE] if leaking >= 1 else min(x - math.log10(1 - leaking), DRIEST[TABLE])
    return in_all(u, slope, u - table_at(drier)[0], t)


def closed_by_hand(r: float, t: float) -> tuple[float, float]:
    """The same for this one formula."""
    x = math.log10(r)
    u, slope = closed_at(x)
    leaking = r / LEAK
    drier = DRIEST[CLOSED] if leaking >= 1 else min(x - math.log10(1 - leaking), DRIEST[CLOSED])
    return in_all(u, slope, u - closed_at(drier)[0], t)


def in_all(u: float, slope: float, leaked: float, t: float) -> tuple[float, float]:
    """Correct for the temperature and add the parts: curve 1 %, scale 0.5 %, 1 %, 5 %, 0.5 K."""
    below = 0.881 * 1.0056**t
    value = (u * FACTOR - ZERO + 0.567 - 0.0260 * t + 0.000051 * t * t) / below
    stretch = FACTOR / below
    per_kelvin = (2 * 0.000051 * t - 0.0260) / below - value * math.log(1.0056)
    relative = slope * stretch / LN_10
    spread = math.hypot(
        stretch, 0.5, 0.01 * relative, 0.05 * relative, 0.5 * per_kelvin, stretch * leaked / ROOT_3
    )
    return value, spread


def many_by_hand(r: "np.typing.NDArray[np.float64]", t: "np.typing.NDArray[np.float64]") -> object:
    """The closed form and its correction for arrays."""
    u = 10 ** (2.99 - 2.113 * np.log10(np.log10(r)))
    scale = u * FACTOR - ZERO
    return (scale + 0.567 - 0.0260 * t + 0.000051 * t * t) / (0.881 * 1.0056**t)
