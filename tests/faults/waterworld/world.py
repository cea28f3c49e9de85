"""Water of a rig: tray, film, what leaves it and what is poured in, every litre accounted for."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from random import Random

from faults.waterworld.room import Room, lag
from faults.waterworld.shape import Shape
from faults.waterworld.specimen import Specimen
from faults.waterworld.weather import DAY, HOUR, Weather, saturation

FILM_TIME = 70.0  # s in which the film builds up, or runs back
TAP, DISTILLED = 450.0, 5.0  # uS/cm at 25 degC
PAN_FULL, PAN_LOW = 60.0, 35.0  # mm: how it is filled, and when
PAN_FACTOR = 0.7  # the tray's evaporation from a m2, of the open pan's
SHALLOW = 1.5  # mm that no leak and no siphon takes


@dataclass(slots=True)
class Hour:
    """What became of the water in one hour, L; `litres` and `depth` stand at its end.

    `flux` is what a m2 of the tray's surface gave to the air, L. `would_film` and `would_draw` are
    what film and specimen would have taken had the pump run all the time.
    """

    begins: float
    surface: float = 0.0
    film: float = 0.0
    taken_up: float = 0.0
    leaked: float = 0.0
    spilled: float = 0.0
    drawn_off: float = 0.0
    topped_up: float = 0.0
    flux: float = 0.0
    would_film: float = 0.0
    would_draw: float = 0.0
    litres: float = 0.0
    depth: float = 0.0


class World:
    """One rig and its water, moved on step by step.

    Attributes
    ----------
    water, film : float
        L in the tray, and on the face and in the hose.
    pan : float
        mm in the evaporation pan beside it.
    salts : float
        uS/cm times L: what conducts stays behind when water evaporates.
    leak : float
        L/d that get lost.
    siphon : tuple or None
        L/s, and the depth in mm at which it stops.
    """

    def __init__(self, shape: Shape, chance: Random) -> None:
        self.shape = shape
        self.time = 0.0
        self.room = Room(
            Weather(shape.first_hour),
            heated_to=shape.heated_to,
            air_changes=shape.air_changes,
            chance=chance,
        )
        self.specimen = Specimen(shape)
        self.water = shape.volume(0.85 * shape.stop)
        self.film = 0.0
        self.salts = TAP * self.water
        self.pan = PAN_FULL  # mm
        self.mains = self.pump_on = True
        self.leak = 0.0
        self.siphon: tuple[float, float] | None = None
        self.lasting = False  # whether contact leaves something for good
        self.begins_with = self.water
        self.hours: list[Hour] = []
        self._hour = Hour(0.0)

    @property
    def depth(self) -> float:
        """Depth of the water, mm."""
        return self.shape.depth(self.water)

    @property
    def running(self) -> bool:
        """Whether water runs down the face: the pump sucks air when the tray is low."""
        return self.mains and self.pump_on and self.depth > self.shape.pump_needs

    @property
    def conductivity(self) -> float:
        """Of the water, uS/cm at 25 degC."""
        return self.salts / max(self.water + self.film, 0.1)

    def pour(self, litres: float, *, conductivity: float) -> None:
        """Add water; what doesn't fit under the rim runs over it."""
        self.water += litres
        self.salts += litres * conductivity
        self._hour.topped_up += litres
        over = max(0.0, self.water - self.shape.volume(self.shape.rim))
        self._hour.spilled += over
        self._away(over)

    def fill_pan(self) -> None:
        """Fill the evaporation pan again, if it is time."""
        if self.pan < PAN_LOW:
            self.pan = PAN_FULL

    def bale(self, depth: float) -> float:
        """Take water out down to `depth` mm; return how many litres."""
        out = max(0.0, self.water - self.shape.volume(depth))
        self._hour.drawn_off += out
        self._away(out)
        return out

    def step(self, seconds: float) -> None:
        """Go on by `seconds`, at most a minute, or what film and siphon do is told too coarsely."""
        shape, room, hour = self.shape, self.room, self._hour
        room.step(self.time, seconds)
        running, surface = self.running, shape.surface(self.water)
        flux = shape.transfer * room.draught * room.deficit * seconds  # kg/m2, which is L/m2
        warm = room.air.temperature - room.cooler
        dries = max(0.0, saturation(warm) - room.air.vapour) * shape.face_transfer * room.draught
        would_film = dries * shape.face * seconds
        would_draw = self.specimen.rate * seconds
        drawn = would_draw if running else 0.0
        self.specimen.wetted += seconds if running else 0.0
        film = lag(self.film, shape.film if running else 0.0, seconds=seconds, constant=FILM_TIME)
        off_film = min(would_film * self.film / shape.film, self.film)
        off_tray = min(flux * surface, max(self.water, 0.0))
        self.water += self.film - film - drawn - off_film - off_tray
        self.film = film
        self.pan -= flux / PAN_FACTOR
        hour.surface += off_tray
        hour.film += off_film
        hour.taken_up += drawn
        hour.flux += flux
        hour.would_film += would_film
        hour.would_draw += would_draw
        self._lose(seconds)
        above = self.depth - shape.underside
        self.specimen.touch(seconds, above=above, lasting=self.lasting)
        self.time += seconds
        if self.time - hour.begins >= HOUR - 1e-6:
            hour.litres, hour.depth = self.water + self.film, self.depth
            self.hours.append(hour)
            self._hour = Hour(self.time)

    def _lose(self, seconds: float) -> None:
        """Let the leak and the siphon take what they take."""
        if self.depth <= SHALLOW:
            return
        out = self.leak / DAY * seconds
        if self.siphon is not None:
            rate, ends = self.siphon
            out += min(rate * seconds, max(0.0, self.water - self.shape.volume(ends)))
        self._hour.leaked += out
        self._away(out)

    def _away(self, litres: float) -> None:
        """Water that leaves as water takes its salts along."""
        self.salts -= self.conductivity * litres
        self.water -= litres


def summed(hours: Sequence[Hour]) -> Hour:
    """Everything that became of the water in some hours on end."""
    first, last = hours[0], hours[-1]
    total = {f.name: sum(getattr(hour, f.name) for hour in hours) for f in fields(Hour)}
    return Hour(**{**total, "begins": first.begins, "litres": last.litres, "depth": last.depth})


def days_until(world: World, first: int, depth: float) -> float | None:
    """How long the water of an hour would have lasted had nobody topped it up.

    Parameters
    ----------
    world : World
        One that was lived through.
    first : int
        The hour at whose end the question is asked.
    depth : float
        The depth at which the water has lasted to its end, mm.

    Returns
    -------
    float or None
        Days, with the weather that came, the pump running and no leak; None where the world ends
        before that.
    """
    shape = world.shape
    water = shape.volume(world.hours[first].depth)
    least = shape.volume(depth)
    for number, hour in enumerate(world.hours[first + 1 :]):
        loses = hour.flux * shape.surface(water) + hour.would_film + hour.would_draw
        if water - loses <= least:
            return (number + (water - least) / loses) / 24 if loses > 0 else None
        water -= loses
    return None
