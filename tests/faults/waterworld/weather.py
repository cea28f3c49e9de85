"""Outdoor air, hour by hour, of a typical year.

Source: TMY3 data of the National Renewable Energy Laboratory (NREL), station 723170, Greensboro
Piedmont Triad International Airport, North Carolina, as the package pvlib carries it in
``pvlib/data/723170TYA.CSV``: 8,760 hours put together from months of real years.
"""

from functools import cache
from math import exp
from pathlib import Path
from typing import NamedTuple

HOUR, DAY = 3600, 86_400  # s
HOURS = 8760
FILE = "723170TYA.CSV"


class Air(NamedTuple):
    """Air at one moment: `temperature` in degC, `vapour` pressure in Pa."""

    temperature: float
    vapour: float

    @property
    def humidity(self) -> float:
        """Relative humidity as a fraction."""
        return self.vapour / saturation(self.temperature)


def saturation(temperature: float) -> float:
    """Vapour pressure over a water surface, Pa, at `temperature` in degC.

    Magnus form with the coefficients of WMO-No. 8 (second hand).
    """
    return 611.2 * exp(17.62 * temperature / (243.12 + temperature))


@cache
def outdoors() -> tuple[Air, ...]:
    """Every hour of the typical year, January first."""
    # Loaded here: it takes two seconds, and what asks for no weather need not wait.
    import pvlib
    from pvlib.iotools import read_tmy3

    table, _ = read_tmy3(Path(pvlib.__file__).parent / "data" / FILE, map_variables=True)
    warm, damp = table["temp_air"].tolist(), table["relative_humidity"].tolist()
    return tuple(Air(t, rh / 100 * saturation(t)) for t, rh in zip(warm, damp, strict=True))


class Weather:
    """The typical year from one of its hours on, over and over.

    Parameters
    ----------
    first : int
        The hour of the typical year at which time 0 lies.
    """

    def __init__(self, first: int) -> None:
        self._hours = outdoors()
        self._first = first

    def at(self, time: float) -> Air:
        """Air at `time` in s, between the two nearest hours."""
        whole, part = divmod(time, HOUR)
        before = self._hours[(self._first + int(whole)) % HOURS]
        after = self._hours[(self._first + int(whole) + 1) % HOURS]
        share = part / HOUR
        return Air(
            before.temperature + share * (after.temperature - before.temperature),
            before.vapour + share * (after.vapour - before.vapour),
        )
