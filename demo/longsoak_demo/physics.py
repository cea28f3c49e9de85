"""The render pair as a whole: eight columns, the tray, the air, the warmth in the timber."""

from collections.abc import Mapping
from itertools import pairwise

from longsoak_demo import places
from longsoak_demo.air import Air, dry_face_air, lag, over_water_air, shop_air, wet_face_air
from longsoak_demo.column import Column
from longsoak_demo.materials import CORK_LIME, PLAIN_LIME, TIMBER, Material
from longsoak_demo.tray import PER_MM, STOP, Tray
from longsoak_demo.wood import moisture_content

_CELL = 0.010  # m
_DRY = 0.11  # saturation in balance with the shop's air
LONGEST_STEP = 240.0  # s; below every column's own limit, see test_physics.py
_TIMBER_LAG = {places.BAYS[0]: 10.0 * 3600, places.BAYS[1]: 8.0 * 3600}  # cork keeps warmth in
_WATER_LAG = 5.0 * 3600
_RENDERS: Mapping[str, Material] = {places.BAYS[0]: CORK_LIME, places.BAYS[1]: PLAIN_LIME}

# The keeper looks in once a day and tops the tray up when it has sunk this far.
_ROUND = 86_400.0
_TOP_UP_BELOW = 60.0  # mm
_TOP_UP_TO = STOP - 5.0  # mm


def _strip_edges() -> list[float]:
    """Edges of the strips the four heights stand for, mm, from the underside up."""
    middles = [(low + high) / 2 for low, high in pairwise(places.HEIGHTS)]
    return [0.0, *middles, float(places.HEIGHT)]


_EDGES = _strip_edges()
AREAS = tuple(  # m2 of face per height
    (high - low) * places.BAY_WIDTH * 1e-6 for low, high in pairwise(_EDGES)
)


def film_saturation(height: float) -> float:
    """Saturation the running film holds the wet face at, `height` mm above the underside.

    The film gathers on its way down from the rail, so the lower face is the wetter one.
    """
    return 0.97 - 0.12 * height / places.HEIGHT


class RenderPair:
    """The state of the rig and its books; `step` moves it on."""

    def __init__(self) -> None:
        self.time = 0.0  # s since the rail was first opened
        self.tray = Tray()
        self.columns = {
            (bay, height): Column(
                [(_RENDERS[bay], places.RENDER / 1000), (TIMBER, places.PANEL / 1000)],
                cell=_CELL,
                saturation=_DRY,
            )
            for bay in places.BAYS
            for height in places.HEIGHTS
        }
        start = shop_air(0.0).temperature
        self.timber = dict.fromkeys(places.BAYS, start)
        self.water_temperature = start
        self.dried = 0.0  # kg the specimen gave to the air
        self.start_water = self.water

    @property
    def water(self) -> float:
        """All the water there is, kg: tray, film and specimen."""
        return self.tray.water + self.tray.film + self.specimen_water

    @property
    def specimen_water(self) -> float:
        """Water in the specimen, kg."""
        return sum(
            column.water * AREAS[places.HEIGHTS.index(height)]
            for (_, height), column in self.columns.items()
        )

    @property
    def imbalance(self) -> float:
        """Water the books can't account for, as a share of all that was ever there."""
        tray = self.tray
        came = self.start_water + tray.added
        went = tray.evaporated + tray.spilled + tray.baled + self.dried
        return (came - went - self.water) / came

    def step(self, seconds: float) -> None:
        """Advance by `seconds`, at most `LONGEST_STEP`."""
        if not 0 < seconds <= LONGEST_STEP:
            raise ValueError(f"a step is {seconds!r} s, expected above 0, up to {LONGEST_STEP:g}")
        running = self.tray.running
        wet_air, dry_air = wet_face_air(self.time, wetted=running), dry_face_air(self.time)
        absorbed = 0.0
        for (bay, height), column in self.columns.items():
            area = AREAS[places.HEIGHTS.index(height)]
            taken, given = column.step(
                seconds,
                wet=film_saturation(height) if running else None,
                front=wet_air,
                back=dry_air,
                temperature=self.timber[bay],
            )
            absorbed += taken * area
            self.dried += given * area
        shop = shop_air(self.time)
        self.tray.step(seconds, absorbed=absorbed, air=wet_air, temperature=self.water_temperature)
        for bay, time_constant in _TIMBER_LAG.items():
            self.timber[bay] = lag(
                self.timber[bay], shop.temperature, seconds=seconds, time_constant=time_constant
            )
        self.water_temperature = lag(
            self.water_temperature, shop.temperature, seconds=seconds, time_constant=_WATER_LAG
        )
        rounds = int(self.time / _ROUND)
        self.time += seconds
        if int(self.time / _ROUND) > rounds and self.tray.depth < _TOP_UP_BELOW:
            self.tray.pour((_TOP_UP_TO - self.tray.depth) * PER_MM)

    def moisture(self, bay: str, *, depth: float, height: int) -> float:
        """Moisture content of the dowel there, % of dry mass; `depth` and `height` in mm."""
        return moisture_content(self.columns[bay, height].at(depth / 1000))

    def warmth(self, bay: str, *, depth: float) -> float:
        """Temperature in the specimen `depth` mm from the wet face, degC.

        Between the film's and the timber's in the render, the timber's in the panel.
        """
        share = min(1.0, depth / places.RENDER)
        return self.wet_air.temperature * (1 - share) + self.timber[bay] * share

    @property
    def wet_air(self) -> Air:
        """Air at the wet face."""
        return wet_face_air(self.time, wetted=self.tray.running)

    @property
    def dry_air(self) -> Air:
        """Air at the dry face."""
        return dry_face_air(self.time)

    @property
    def over_water_air(self) -> Air:
        """Air between the tray and the specimen."""
        return over_water_air(self.wet_air, water=self.water_temperature)

    @property
    def shop_air(self) -> Air:
        """Air in the middle of the shop."""
        return shop_air(self.time)
