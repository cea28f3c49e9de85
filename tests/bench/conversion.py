"""What a conversion costs: one reading with its uncertainty, and arrays without."""

import math

import numpy as np

from bench.figures import Figure, in_turn
from longsoak.core.resistance import Budget, moisture_content, moisture_contents, prepare
from longsoak.rigfile.curves import shipped

N = 20_000
ROWS = 1_000_000


def figures() -> list[Figure]:
    """Measure both."""
    random = np.random.default_rng(3)
    ohm = 10 ** random.uniform(6.0, 10.0, ROWS)
    celsius = random.uniform(5.0, 30.0, ROWS)
    pairs = list(zip(ohm[:N].tolist(), celsius[:N].tolist(), strict=True))
    budget = Budget(insulation=1e11)
    found = []
    for name in ("Douglas-fir (coast)", "Douglas-fir, closed form"):
        curve = prepare(shipped()[name])

        def ours(curve: object = curve) -> None:
            for r, t in pairs:
                moisture_content(r, t, curve, budget)  # type: ignore[arg-type]  # bound above

        def peer() -> None:
            for r, t in pairs:
                bare(r, t)

        seconds, _, ratio = in_turn(ours, peer)
        found.append(
            Figure(
                f"one reading with uncertainty and leakage, {name}",
                seconds / N * 1e6,
                "us",
                4.0,
                "the closed form and its correction alone, in plain Python",
                ratio,
            )
        )
    closed = prepare(shipped()["Douglas-fir, closed form"])
    _, _, ratio = in_turn(
        lambda: moisture_contents(ohm, celsius, closed), lambda: by_hand(ohm, celsius)
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


def bare(r: float, t: float) -> float:
    """The formula as a script would have it: a value and nothing more."""
    u = 10 ** (2.99 - 2.113 * math.log10(math.log10(r)))
    scale = u * 0.881 * 1.0056**26.7 - 0.567 + 0.0260 * 26.7 - 0.000051 * 26.7**2
    return float((scale + 0.567 - 0.0260 * t + 0.000051 * t * t) / (0.881 * 1.0056**t))


def by_hand(r: "np.typing.NDArray[np.float64]", t: "np.typing.NDArray[np.float64]") -> object:
    """The same for arrays."""
    u = 10 ** (2.99 - 2.113 * np.log10(np.log10(r)))
    scale = u * 0.881 * 1.0056**26.7 - 0.567 + 0.0260 * 26.7 - 0.000051 * 26.7**2
    return (scale + 0.567 - 0.0260 * t + 0.000051 * t * t) / (0.881 * 1.0056**t)
