"""The specimen: what it draws from its wetted face, and how moist its pins are."""

from math import exp, sqrt
from typing import NamedTuple

from faults.waterworld.shape import Shape
from faults.waterworld.weather import DAY

BAYS = ("left", "right")
DRAWS = {"left": 1.0, "right": 0.7}  # of what the shape says
HEIGHTS, DEPTH = (15, 90, 200), 20  # mm
REACH = 30.0  # mm above the underside that contact wets
SOAKING = 40 * 60.0  # s in which contact gives what it can give
DRYING = 11 * DAY  # s in which that leaves again
GIVES, STAYS = 9.0, 2.5  # % MC that contact adds, and that never leaves after a lasting one


class Site(NamedTuple):
    """Where a pair of pins sits."""

    bay: str
    height: int

    @property
    def name(self) -> str:
        """What its probe is called."""
        return f"{self.bay} {self.height}"


SITES = tuple(Site(bay, height) for bay in BAYS for height in HEIGHTS)


class Specimen:
    """Two bays side by side, each half of the face."""

    def __init__(self, shape: Shape) -> None:
        self._shape = shape
        self.wetted = 0.0  # s in all
        self._extra = dict.fromkeys(SITES, 0.0)  # % MC from contact
        self._lasting = dict.fromkeys(SITES, 0.0)

    @property
    def rate(self) -> float:
        """What it draws from a running film, L/s: by the root of time, in the end steadily."""
        rate = max(
            self._shape.sorptivity / (2 * sqrt(self.wetted + 60.0)), self._shape.settled / DAY
        )
        return sum(DRAWS.values()) * rate * self._shape.face / 2

    def touch(self, seconds: float, *, above: float, lasting: bool) -> None:
        """Let the water stand `above` mm over the underside for so long; below it all dries."""
        for site in SITES:
            extra, stays = self._extra[site], self._lasting[site]
            if above > -1.0 and site.height <= REACH:
                extra += (GIVES - extra) * (1 - exp(-seconds / SOAKING))
                if lasting:
                    self._lasting[site] = stays = STAYS
            elif extra > stays:
                extra = stays + (extra - stays) * exp(-seconds / DRYING)
            self._extra[site] = extra

    def moisture(self, site: Site, humidity: float) -> float:
        """Moisture content at a site, %; `humidity` of the room as a fraction."""
        wet = 1 - exp(-self.wetted / (DAY * (18 + site.height / 60)))
        return 10 + 6 * wet * DRAWS[site.bay] + 0.6 * (humidity - 0.55) + self._extra[site]
