"""What is done to a rig, when: by its keeper, by the power grid, and by what wears out."""

import heapq
from collections.abc import Callable, Iterator
from functools import partial
from random import Random

from faults.waterworld.happenings import Happening, Kind, Spells
from faults.waterworld.plan import Turn
from faults.waterworld.sensors import LEVEL, Fault, Sensors
from faults.waterworld.shape import Shape
from faults.waterworld.weather import DAY, HOUR
from faults.waterworld.world import DISTILLED, TAP, World

LOOK, CLOSE = 60.0, 5.0  # s between two looks, and while something moves
POURS = 0.12  # L/s
LEAST, MOST = 1.0, 12.0  # L of a top-up
MOST_GOES = 8
WRITES = 0.6  # of all top-ups somebody writes down, 7 % wrong
SEEN = 2.0  # mm that a top-up has to raise the level to be found among ripples and warmth
_NO_LEVEL = Kind.SILENT, LEVEL
SETTLES = 300.0  # s after which nothing of a pour or of a pump that stopped can be seen


class Script:
    """Lives through a rig's time and notes what truly happened.

    Parameters
    ----------
    shape : Shape
        The rig.
    seed : int
        Of everything that is drawn.
    days : float
        How long.
    plan : sequence of Turn
        What happens beside the keeper's own top-ups, and when.
    """

    def __init__(self, shape: Shape, *, seed: int, days: float, plan: list[Turn]) -> None:
        self.chance = Random(f"{shape.name} {seed}")  # noqa: S311 - a world, not secrets
        self.world = World(shape, self.chance)
        self.sensors = Sensors(self.world, self.chance)
        self.happened: list[Happening] = []
        self.notes: list[str] = []  # what somebody has yet to write into the logbook
        self.days = days
        self._ends = days * DAY
        self._spells = Spells(self.world, lambda over: self.happened.append(over))
        self._agenda: list[tuple[float, int, Callable[[], None]]] = []
        self._asked = 0
        self._close_until = 0.0
        self._away_until = 0.0  # the keeper
        self._down_since = 0.0
        for turn in plan:
            self._at(turn.at, partial(self._DOES[turn.kind], self, turn))
        self._at(2.3 * DAY, self._visit)
        self._at(DAY, self._look_in)

    def lived(self) -> Iterator[float]:
        """The time in s after each step; whether there is power says `world.mains`."""
        world = self.world
        while world.time < self._ends:
            while self._agenda and self._agenda[0][0] <= world.time:
                heapq.heappop(self._agenda)[2]()
            close = world.time < self._close_until
            seconds = CLOSE if close else LOOK - world.time % LOOK
            world.step(seconds)
            self._spells.look(seconds)
            yield world.time
        self._spells.close()
        self.happened.sort(key=lambda each: each.begins)

    def _at(self, time: float, does: Callable[[], None]) -> None:
        self._asked += 1
        heapq.heappush(self._agenda, (time, self._asked, does))

    def _in(self, seconds: float, does: Callable[[], None]) -> None:
        self._at(self.world.time + seconds, does)

    def _closely(self, seconds: float) -> None:
        self._close_until = max(self._close_until, self.world.time + seconds)

    # The keeper's own rounds.

    def _visit(self) -> None:
        """Top up, and come again in some days."""
        shape, chance = self.world.shape, self.chance
        again = chance.gammavariate(4, shape.visits / 4)
        self._at(_by_day(self.world.time + max(0.7, again) * DAY, chance), self._visit)
        self.world.fill_pan()
        if self.world.time < self._away_until:
            return
        target = chance.uniform(0.78, 0.965) * shape.stop
        litres = min(shape.volume(target) - self.world.water, MOST)
        if litres >= LEAST:
            self._top_up(litres)

    def _look_in(self) -> None:
        """Look in every few hours, and top up what is nearly too low."""
        shape = self.world.shape
        self._in(4 * HOUR, self._look_in)
        nearly_dry = (shape.pump_needs + shape.low) / 2
        if self.world.depth < nearly_dry and self.world.time >= self._away_until:
            self._top_up(min(MOST, shape.volume(0.7 * shape.stop) - self.world.water))

    def _top_up(self, litres: float, *, then: Callable[[], None] | None = None) -> None:
        """Pour by can, in several goes, with a rest after each."""
        chance, world = self.chance, self.world
        can = max(chance.choice((1.0, 2.0, 5.0)), litres / MOST_GOES)
        begins, left, in_can = world.time, litres, can
        moved = 0.0
        water = DISTILLED if chance.random() < 0.3 else TAP
        self._away_until = max(self._away_until, begins + HOUR)

        def go() -> None:
            nonlocal left, in_can, moved
            part = min(POURS * CLOSE, left, in_can)
            world.pour(part, conductivity=water)
            left, in_can, moved = left - part, in_can - part, moved + part
            self.sensors.slosh = chance.uniform(0.5, 2.0), world.time
            self._closely(SETTLES)
            if left <= 1e-6:
                self._topped_up(begins, moved)
                if then is not None:
                    self._in(CLOSE, then)
            elif in_can <= 1e-6:
                in_can = can
                self._in(chance.uniform(20, 240), go)
            else:
                self._in(CLOSE, go)

        go()

    def _topped_up(self, begins: float, litres: float) -> None:
        chance, now = self.chance, self.world.time
        if chance.random() < WRITES:
            self.notes.append(f"Topped up {max(0.1, litres * chance.gauss(1, 0.07)):.1f} L")
        blind = any(
            fault.begins <= now < fault.ends
            for fault in self.sensors.faults
            if fault.kind is Kind.LEVEL_STUCK or (fault.kind, fault.probe) == _NO_LEVEL
        )
        rises = litres / self.world.shape.surface(self.world.water)
        self.happened.append(
            Happening(
                Kind.TOP_UP,
                begins,
                now,
                begins,
                begins,
                # What is poured while a hose runs out is told with that, as one step.
                demanded=not blind and rises >= SEEN and self.world.siphon is None,
                litres=litres,
            )
        )

    def _bale(self, depth: float) -> None:
        litres, now = self.world.bale(depth), self.world.time
        self.sensors.slosh = 2.0, now
        self._closely(SETTLES)
        self._tell(Kind.BALED, now, litres=litres)

    def _tell(
        self, kind: Kind, begins: float, *, subject: str = "", litres: float | None = None
    ) -> None:
        """Note what is over now."""
        self.happened.append(
            Happening(
                kind,
                begins,
                self.world.time,
                begins,
                begins,
                demanded=kind is not Kind.LEVEL_WARMS,
                subject=subject,
                litres=litres,
            )
        )

    # What happens to it.

    def _overfill(self, turn: Turn) -> None:
        """Pour on beyond the stop, and notice it after hours, or never."""
        shape = self.world.shape
        room = shape.underside - 2.0 - shape.stop
        self._fill(shape.stop + max(2.5, turn.size * room), turn)

    def _contact(self, turn: Turn) -> None:
        """Pour on until the specimen stands in it, for a while."""
        self.world.lasting = turn.lasting
        self._fill(self.world.shape.underside + turn.size, turn)

    def _fill(self, depth: float, turn: Turn) -> None:
        world = self.world
        self._away_until = max(self._away_until, world.time + turn.lasts + 8 * HOUR)

        def put_right() -> None:
            self._bale(0.9 * world.shape.stop)
            world.lasting = False

        self._top_up(
            max(0.5, world.shape.volume(depth) - world.water),
            then=lambda: self._in(turn.lasts, put_right),
        )

    def _leak(self, turn: Turn) -> None:
        """Lose water at once, or more and more over the first days, until it is mended."""
        begins, lost = self.world.time, len(self.world.hours)
        steps = 24 if turn.creeps else 1
        for number in range(1, steps + 1):
            share = number / steps
            self._in(
                turn.creeps * share,
                partial(setattr, self.world, "leak", turn.size * share),
            )

        def mended() -> None:
            self.world.leak = 0.0
            litres = sum(hour.leaked for hour in self.world.hours[lost:])
            self._tell(Kind.LEAK, begins, litres=litres)

        self._in(turn.lasts, mended)

    def _siphon(self, turn: Turn) -> None:
        """A hose hangs in the water; it stops at the height of its end."""
        world, begins, lost = self.world, self.world.time, len(self.world.hours)
        span = world.depth - world.shape.pump_needs
        world.siphon = turn.size / 60, world.depth - 0.6 * span
        self._closely(SETTLES)

        def pulled_out() -> None:
            world.siphon = None
            self._tell(Kind.SIPHON, begins, litres=sum(h.leaked for h in world.hours[lost:]))

        self._in(turn.lasts, pulled_out)

    def _pump_stop(self, turn: Turn) -> None:
        self.world.pump_on = False
        self._closely(SETTLES)
        self._in(turn.lasts, self._pump_again)

    def _pump_again(self) -> None:
        self.world.pump_on = True
        self._closely(SETTLES)

    def _power_cut(self, turn: Turn) -> None:
        """Without power nothing runs and nothing is measured; people pour all the same."""
        self.world.mains = False
        self._down_since = self.world.time
        if turn.pours:
            self._in(turn.lasts / 2, self._visit_in_the_dark)
        self._in(turn.lasts, lambda: self._power(turn))

    def _visit_in_the_dark(self) -> None:
        shape = self.world.shape
        self._top_up(max(LEAST, min(MOST, shape.volume(0.93 * shape.stop) - self.world.water)))

    def _power(self, turn: Turn) -> None:
        world, began = self.world, self._down_since
        world.mains = True
        self._closely(SETTLES)
        if turn.size:  # s for which the pump then stands still, until somebody comes
            world.pump_on = False
            self._in(turn.size, self._pump_again)
        self._tell(Kind.POWER_CUT, began)
        self.happened = [
            each.unseen(began, world.time) if each.begins >= began else each
            for each in self.happened
        ]

    def _fails(self, turn: Turn) -> None:
        """A sensor fails until it is put right or replaced."""
        world = self.world
        fault = Fault(turn.kind, turn.subject, world.time, world.time + turn.lasts, turn.size)
        self.sensors.faults.append(fault)
        self._closely(SETTLES)
        self._in(turn.lasts, lambda: self._tell(turn.kind, fault.begins, subject=turn.subject))

    def _float_down(self, turn: Turn) -> None:
        """Nobody notices a float that stays down before the water stands above it."""
        shape = self.world.shape
        self._fails(turn)
        over = Turn(Kind.OVERFILL, 5 * HOUR)
        self._in(DAY, lambda: self._fill(min(shape.trips_at + 6, shape.underside - 1), over))

    _DOES: dict[Kind, Callable[["Script", Turn], None]] = {  # noqa: RUF012 - never changed
        Kind.OVERFILL: _overfill,
        Kind.CONTACT: _contact,
        Kind.LEAK: _leak,
        Kind.SIPHON: _siphon,
        Kind.PUMP_STOP: _pump_stop,
        Kind.POWER_CUT: _power_cut,
        Kind.LEVEL_STUCK: _fails,
        Kind.LEVEL_SPIKES: _fails,
        Kind.LEVEL_WARMS: _fails,
        Kind.FLOAT_DOWN: _float_down,
        Kind.FLOAT_UP: _fails,
        Kind.HUMIDITY_DRIFTS: _fails,
        Kind.PINS_OPEN: _fails,
        Kind.SILENT: _fails,
        Kind.FLOW_CLOGGED: _fails,
    }


def _by_day(time: float, chance: Random) -> float:
    """The same day, while somebody is about."""
    return time - time % DAY + chance.uniform(8, 18) * HOUR
