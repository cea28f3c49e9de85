"""The shop a rig stands in: slow to follow the weather, aired, and heated a little in winter."""

from math import exp
from random import Random

from faults.waterworld.weather import DAY, HOUR, Air, Weather, saturation

THERMAL = 9 * HOUR  # s, the walls' time constant
GAIN = 1.5  # K the shop is warmer than outdoors for what works in it
BUFFER = 5.0  # times slower than the airing alone: walls and goods take up vapour and give it back
WATER = 6 * HOUR  # s, a tray's
WET_BULB = 2.0  # K that evaporating would cool water by in dry air, and the less the damper it is
DAMP = 150.0  # Pa of vapour that people, floor and what is wetted there add
# Common practice: a draught of 0.1 m/s doubles what still air takes from a sheltered surface.
DRAUGHT_DAYS, DRAUGHT_HOURS, DRAUGHT = 0.15, (1.0, 6.0), (1.4, 2.2)


def lag(state: float, towards: float, *, seconds: float, constant: float) -> float:
    """Where `state` has got to after `seconds` of following `towards`; exact for any step."""
    return towards + (state - towards) * exp(-seconds / constant)


class Room:
    """Air around the rig, and the temperature of its water.

    Parameters
    ----------
    weather : Weather
        Outdoors.
    heated_to : float
        degC the shop never falls much below.
    air_changes : float
        An hour; what comes in keeps its vapour.
    chance : Random
        Draws the draughts.
    """

    def __init__(
        self, weather: Weather, *, heated_to: float, air_changes: float, chance: Random
    ) -> None:
        self._weather = weather
        self._heated_to = heated_to
        self._airing = BUFFER * HOUR / air_changes
        self._chance = chance
        outside = weather.at(0.0)
        self.air = Air(max(heated_to, outside.temperature), outside.vapour)
        self.water = self.air.temperature - self.cooler
        self.draught = 1.0  # times what still air takes
        self._draughty = (0.0, 0.0, 1.0)
        self._next_day = 0.0

    def step(self, time: float, seconds: float) -> None:
        """Go on from `time` by `seconds`."""
        if time >= self._next_day:
            self._next_day += DAY
            self._draughty = (0.0, 0.0, 1.0)
            if self._chance.random() < DRAUGHT_DAYS:
                begins = time + self._chance.uniform(0, 17) * HOUR
                ends = begins + self._chance.uniform(*DRAUGHT_HOURS) * HOUR
                self._draughty = (begins, ends, self._chance.uniform(*DRAUGHT))
        begins, ends, times = self._draughty
        self.draught = times if begins <= time < ends else 1.0
        outside = self._weather.at(time)
        wanted = max(outside.temperature + GAIN, self._heated_to)
        warm = lag(self.air.temperature, wanted, seconds=seconds, constant=THERMAL)
        damp = outside.vapour + DAMP
        vapour = lag(self.air.vapour, damp, seconds=seconds, constant=self._airing)
        self.air = Air(warm, min(vapour, 0.97 * saturation(warm)))  # the rest wets the windows
        self.water = lag(self.water, warm - self.cooler, seconds=seconds, constant=WATER)

    @property
    def cooler(self) -> float:
        """K that a wet surface is cooler than the air."""
        return WET_BULB * (1.0 - self.air.humidity)

    @property
    def deficit(self) -> float:
        """Vapour pressure of the water's surface above that of the air, Pa."""
        return max(0.0, saturation(self.water) - self.air.vapour)
