"""One figure of a benchmark, and how it is measured: in turn with its peer, the median of five."""

import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median

ROUNDS = 5


@dataclass(frozen=True, slots=True)
class Figure:
    """A measured value with its goal; `ratio` is to the peer measured in the same run."""

    name: str
    value: float
    unit: str
    goal: float
    peer: str
    ratio: float
    at_least: bool = False

    @property
    def met(self) -> bool:
        """Whether the value is at its goal or on the good side of it."""
        return self.value >= self.goal if self.at_least else self.value <= self.goal

    def __str__(self) -> str:
        sign = ">=" if self.at_least else "<="
        return (
            f"{self.name} | {self.value:.3g} {self.unit} | {sign} {self.goal:g} {self.unit} | "
            f"{self.peer} | {self.ratio:.2f} | {'met' if self.met else 'short'}"
        )


@dataclass(frozen=True, slots=True)
class Unmeasured:
    """A figure that can't be had on this machine, and why; it is not short of its goal for that."""

    name: str
    goal: str
    why: str
    met = True

    def __str__(self) -> str:
        return f"{self.name} | not measured | {self.goal} | {self.why}"


def in_turn(ours: Callable[[], object], peer: Callable[[], object]) -> tuple[float, float, float]:
    """Median seconds of ours and of the peer, and the median ratio, A B A B after a warm-up."""
    ours(), peer()
    pairs = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        ours()
        between = time.perf_counter()
        peer()
        pairs.append((between - start, time.perf_counter() - between))
    return (
        median(a for a, _ in pairs),
        median(b for _, b in pairs),
        median(a / b for a, b in pairs),
    )


@contextmanager
def scratch() -> Iterator[Path]:
    """An empty folder, gone with all that is in it once it is done with."""
    folder = Path(tempfile.mkdtemp(prefix="longsoak-bench-"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder)
