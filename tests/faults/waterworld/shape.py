"""Rigs of three sizes: the tray, the specimen over it, how it draws, and how it is looked after."""

from bisect import bisect_right
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

from faults.waterworld.weather import HOURS

MONTH = 730  # h


@dataclass(frozen=True, slots=True)
class Block:
    """Blocks that stand in the tray, all alike: lengths, and from which to which height, mm."""

    count: int
    length: float
    breadth: float
    bottom: float
    top: float


@dataclass(frozen=True)
class Shape:
    """One rig; lengths in mm, areas in m2, volumes in L, rates by the day.

    `transfer` is how readily the tray gives water to still air, kg/(m2 s Pa), and `face_transfer`
    the wetted face. `sorptivity` is kg/(m2 s^0.5), `settled` what the specimen draws in the long
    run, L/(m2 d). `first_hour` is where in the typical year the test begins. `sudden` and
    `creeping` leaks lose a quarter of what else goes, or more: no balance of days tells a tenth
    from weather.
    """

    name: str
    length: float
    breadth: float
    blocks: tuple[Block, ...]
    rim: float
    stop: float
    trips_at: float
    underside: float
    pump_needs: float
    face: float
    film: float
    transfer: float
    face_transfer: float
    sorptivity: float
    settled: float
    first_hour: int
    heated_to: float
    air_changes: float  # an hour
    visits: float  # days between two top-ups, about
    sudden: tuple[float, float]  # L/d a sudden leak loses
    creeping: tuple[float, float]
    per_mm: float  # mV of the level probe
    step: float  # mm it can tell apart
    per_kelvin: float  # mm its zero moves by

    def begun_in_another_month(self, seed: int) -> "Shape":
        """The same rig, with its test begun so many months later in the year."""
        return replace(self, first_hour=(self.first_hour + MONTH * seed) % HOURS)

    @property
    def low(self) -> float:
        """Depth at which it is time to top up, mm."""
        return self.pump_needs + 0.2 * (self.stop - self.pump_needs)

    @cached_property
    def table(self) -> tuple[tuple[float, float], ...]:
        """Depth in mm and volume in L at each height where the plan area changes."""
        heights = sorted(
            {0.0, self.rim}
            | {h for b in self.blocks for h in (b.bottom, b.top) if 0 < h < self.rim}
        )
        pairs, volume = [(0.0, 0.0)], 0.0
        for low, high in pairwise(heights):
            volume += self._free((low + high) / 2) * (high - low)
            pairs.append((high, volume))
        return tuple(pairs)

    def _free(self, height: float) -> float:
        """Free area at a height, m2; so many litres to a millimetre."""
        taken = sum(
            b.count * b.length * b.breadth for b in self.blocks if b.bottom < height < b.top
        )
        return (self.length * self.breadth - taken) / 1e6

    @cached_property
    def _pieces(self) -> tuple[list[float], list[float], list[float]]:
        volumes, depths = [v for _, v in self.table], [h for h, _ in self.table]
        per_mm = [(v2 - v1) / (h2 - h1) for (h1, v1), (h2, v2) in pairwise(self.table)]
        return volumes, depths, per_mm

    def depth(self, litres: float) -> float:
        """Depth of so much water, mm."""
        volumes, depths, per_mm = self._pieces
        i = min(max(bisect_right(volumes, litres) - 1, 0), len(per_mm) - 1)
        return depths[i] + (litres - volumes[i]) / per_mm[i]

    def surface(self, litres: float) -> float:
        """Free surface of so much water, m2."""
        volumes, _, per_mm = self._pieces
        return per_mm[min(max(bisect_right(volumes, litres) - 1, 0), len(per_mm) - 1)]

    def volume(self, depth: float) -> float:
        """Litres up to a depth in mm."""
        volumes, depths, per_mm = self._pieces
        i = min(max(bisect_right(depths, depth) - 1, 0), len(per_mm) - 1)
        return volumes[i] + (depth - depths[i]) * per_mm[i]


# Common practice in size; what they draw is 0.3 to 8 L a day.
SHAPES = (
    Shape(
        name="bench rig", length=600, breadth=400, blocks=(Block(4, 50, 50, 0, 30),),
        rim=62, stop=45, trips_at=48, underside=55, pump_needs=10, face=0.18, film=0.35,
        transfer=1.0e-8, face_transfer=0.9e-8, sorptivity=0.004, settled=0.15, first_hour=2160,
        heated_to=17.0, air_changes=0.6, visits=3.7, sudden=(1.0, 2.0), creeping=(0.5, 0.7),
        per_mm=20.0, step=0.1, per_kelvin=0.02,
    ),
    Shape(
        name="wall panel", length=1200, breadth=340,
        blocks=(Block(2, 90, 220, 0, 112), Block(4, 60, 60, 0, 40)),
        rim=150, stop=100, trips_at=105, underside=112, pump_needs=25, face=0.9, film=1.0,
        transfer=1.1e-8, face_transfer=1.0e-8, sorptivity=0.006, settled=0.12, first_hour=5880,
        heated_to=8.0, air_changes=1.0, visits=4.0, sudden=(1.5, 4.0), creeping=(0.7, 1.0),
        per_mm=10.0, step=0.2, per_kelvin=0.03,
    ),
    Shape(
        name="masonry bay", length=2200, breadth=600,
        blocks=(Block(3, 200, 300, 0, 165), Block(6, 80, 80, 0, 60)),
        rim=200, stop=140, trips_at=148, underside=165, pump_needs=40, face=4.2, film=1.4,
        transfer=1.5e-8, face_transfer=1.5e-8, sorptivity=0.008, settled=0.2, first_hour=0,
        heated_to=12.0, air_changes=1.5, visits=1.5, sudden=(3.5, 4.0), creeping=(2.0, 2.5),
        per_mm=5.0, step=0.25, per_kelvin=0.04,
    ),
)  # fmt: skip
