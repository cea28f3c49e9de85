"""What a record says of its water, and how far that is from the truth."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import fmean

from faults.waterdriven import START_MS
from faults.waterworld.rigtext import rig_text
from faults.waterworld.shape import Shape
from faults.waterworld.weather import HOUR
from faults.waterworld.world import World, summed
from longsoak.core.water.standing import HISTORY, RECENT, Standing, standing
from longsoak.rigfile.load import parse
from longsoak.service.drivers import find_kind
from longsoak.store.water import Happening, WaterRecord
from longsoak.store.waterlook import HISTORY_MS
from longsoak.vocabulary.rig import Rig
from longsoak.vocabulary.water import Found as What
from longsoak.vocabulary.water import WaterHour

BACK = round(RECENT)  # days that a rate is of
LEVEL_U = 1.0  # mm
NEAR = 900.0  # s by which a pour may be said to have begun earlier, or ended later


@dataclass(frozen=True)
class Books:
    """A rig, all hours of its water, and the top-ups and leaks found.

    Times are in s since the start.
    """

    rig: Rig
    hours: list[WaterHour]
    top_ups: list[Happening]
    leaks: list[tuple[float, float]]

    def before(self, time: float) -> list[WaterHour]:
        """The hours that something said at `time` may rest on."""
        return [hour for hour in self.hours if time - HISTORY_MS / 1000 <= hour.at <= time]

    def standing(self, number: int, *, level: float) -> Standing | None:
        """How the water is said to stand at the end of an hour, with the level read then, mm.

        None where nothing is known.
        """
        past, reservoir = self.before((number + 1) * HOUR), self.rig.reservoir
        if not past or reservoir is None:
            return None
        over = [each for each in self.leaks if each[1] <= past[-1].at]
        return standing(self.rig, reservoir, past, level=level, level_u=LEVEL_U, leaks=over)


def books_of(folder: Path, shape: Shape) -> Books:
    """What the record in `folder`, of a rig of that shape, says of its water."""
    record = WaterRecord(folder)
    hours = record.hours(since_ms=START_MS, until_ms=2**52)
    return Books(
        parse(rig_text(shape), file="rig.toml", find_kind=find_kind),
        [hour._replace(at=hour.at - START_MS / 1000) for hour in hours],
        record.happenings(What.TOP_UP),
        [
            (_since_start(each.from_ms), _since_start(each.until_ms))
            for each in record.happenings(What.LEAK, What.SIPHON)
            if each.until_ms is not None
        ],
    )


def lost_before(world: World, number: int) -> float | None:
    """What evaporated and was taken up a day in the days before, L/d; None where some leaked."""
    true = summed(world.hours[number + 1 - 24 * BACK : number + 1])
    if true.leaked or true.spilled:
        return None
    return (true.surface + true.film + true.taken_up) / BACK


def left_by_truth(world: World, number: int) -> float | None:
    """Days left at the end of an hour if what truly went in the weeks before went on.

    Nobody who knows no weather to come can do better by these weeks. None where nothing went.
    """
    past = world.hours[max(0, number + 1 - round(24 * HISTORY / 2)) : number + 1]
    flux = fmean(hour.flux for hour in past)
    alike = fmean(hour.would_film + hour.would_draw for hour in past)
    shape, hours = world.shape, 0
    water, least = shape.volume(world.hours[number].depth), shape.volume(shape.pump_needs)
    while water > least:
        loses = flux * shape.surface(water) + alike
        if loses <= 0.0:
            return None
        water, hours = water - loses, hours + 1
    return hours / 24


def top_up_off(books: Books, poured: Sequence[tuple[float, float, float]]) -> list[float]:
    """By how much the litres of top-ups are off, %; `poured` are begin, end and litres."""
    off = []
    for begin, end, true in poured:
        told = [
            each.figures["litres"]
            for each in books.top_ups
            if _since_start(each.from_ms) <= end + NEAR
            and _since_start(each.until_ms or each.from_ms) >= begin - NEAR
        ]
        if told:
            off.append(100 * abs(sum(told) / true - 1))
    return off


def _since_start(utc_ms: int) -> float:
    return (utc_ms - START_MS) / 1000
