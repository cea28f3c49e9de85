"""The catch tray under the specimen, the pump that lifts its water, the film that runs back."""

from dataclasses import dataclass

from longsoak_demo.air import Air, lag, saturation_pressure

AREA = 1.200 * 0.340  # m2
RIM = 150.0  # mm
STOP = 100.0  # mm, where a top-up ends
PUMP_NEEDS = 25.0  # mm
FLOAT_TRIPS = 105.0  # mm
PER_MM = AREA  # litres in a millimetre of depth
_LET_GO = 1.0  # mm the float has to sink below where it lifted, or it would chatter
RUNS_FLOW = 0.3  # L/min, and
RUNS_CURRENT = 0.4  # A: less than that is a pump that stands still or sucks air

# The specimen hangs close over the water and shelters it: about 1 mm a day in the shop's air.
_TRANSFER = 1.1e-8  # kg/(m2 s Pa)
_FILM_WHEN_RUNNING = 0.8  # litres in the hose, on the rail and on the face
_FILM_TIME = 60.0  # s
_PER_MM_OF_LIFT = 0.001  # of the pump's flow and current, lost for each mm the water stands lower
_LIGHT = 0.22  # A, of a pump that sucks air
_LOADED = 0.62  # A, of one that lifts water, with the tray at its stop


@dataclass(slots=True)
class Tray:
    """Water in litres (1 kg each); `added`, `lost` and `spilled` keep the books."""

    water: float = 88.0 * PER_MM
    film: float = _FILM_WHEN_RUNNING
    pump_on: bool = True
    float_lifted: bool = False
    added: float = 0.0
    evaporated: float = 0.0
    spilled: float = 0.0
    baled: float = 0.0

    @property
    def depth(self) -> float:
        """Depth of the water, mm."""
        return self.water / PER_MM

    @property
    def running(self) -> bool:
        """Whether water really runs down the face: the pump sucks air when the tray is low."""
        return self.pump_on and self.depth > PUMP_NEEDS

    @property
    def flow(self) -> float:
        """What runs out of the drip rail, L/min: what the film turns over, with some lift lost."""
        return _FILM_WHEN_RUNNING / _FILM_TIME * 60 * self._lift if self.running else 0.0

    @property
    def current(self) -> float:
        """What the pump draws, A: nothing at rest, a little while it turns in air."""
        if not self.pump_on:
            return 0.0
        return _LOADED * self._lift if self.running else _LIGHT

    @property
    def _lift(self) -> float:
        return 1.0 - _PER_MM_OF_LIFT * (STOP - self.depth)

    def pour(self, litres: float) -> None:
        """Add water; what doesn't fit under the rim runs over it."""
        self.water += litres
        self.added += litres
        over = max(0.0, self.water - RIM * PER_MM)
        self.water -= over
        self.spilled += over
        self._move_float()

    def bale_to(self, depth: float) -> None:
        """Take water out down to `depth` in mm, if there is more."""
        out = max(0.0, self.water - depth * PER_MM)
        self.water -= out
        self.baled += out
        self._move_float()

    def step(self, seconds: float, *, absorbed: float, air: Air, temperature: float) -> None:
        """Advance by `seconds`.

        Parameters
        ----------
        seconds : float
            Length of the step, s.
        absorbed : float
            What the specimen took from the film in this step, litres.
        air : Air
            The air over the water.
        temperature : float
            Temperature of the water, degC.
        """
        wanted = _FILM_WHEN_RUNNING if self.running else 0.0
        film = lag(self.film, wanted, seconds=seconds, time_constant=_FILM_TIME)
        self.water += self.film - film - absorbed
        self.film = film
        over = saturation_pressure(temperature) - air.vapour_pressure
        evaporated = min(_TRANSFER * AREA * over * seconds, max(self.water, 0.0))
        self.water -= evaporated
        self.evaporated += evaporated
        self._move_float()

    def _move_float(self) -> None:
        if self.depth >= FLOAT_TRIPS:
            self.float_lifted = True
        elif self.depth < FLOAT_TRIPS - _LET_GO:
            self.float_lifted = False
