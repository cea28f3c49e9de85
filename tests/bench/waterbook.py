"""What the balance of the water makes of a recorded year, and how far that is from the truth."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import nan

from faults.waterdriven import START_MS
from faults.waterjudged import TOP_UP, Found
from faults.waterworld.rigtext import rig_text
from faults.waterworld.sensors import LEVEL
from faults.waterworld.shape import Shape
from faults.waterworld.weather import DAY, HOUR
from faults.waterworld.world import World, summed
from longsoak.core.water.book import WaterBook
from longsoak.core.water.decline import daily, litres, rate_of_decline
from longsoak.core.water.forecast import Days, Draw, forecast
from longsoak.rigfile.load import parse
from longsoak.service.drivers import find_kind
from longsoak.store.reader import Record
from longsoak.vocabulary.water import Found as What
from longsoak.vocabulary.water import WaterHour, WaterNews

BACK = 14  # days that a rate and a forecast rest on
_AT_ONCE = 4096  # scans


@dataclass
class Kept:
    """All hours of the water, and what was found."""

    hours: list[WaterHour] = field(default_factory=list)
    news: list[WaterNews] = field(default_factory=list)

    def top_ups(self) -> list[Found]:
        """Each top-up that was found, as last told."""
        last = {each.begin: each for each in self.news if each.found is What.TOP_UP}
        return [
            Found(TOP_UP, LEVEL, each.begin, each.says, over=each.end) for each in last.values()
        ]

    def before(self, time: float) -> list[WaterHour]:
        """The hours that something said at `time` may rest on."""
        return [hour for hour in self.hours if time - BACK * DAY <= hour.at <= time]


def kept(record: Record, shape: Shape) -> Kept:
    """Keep books of a whole record, scan by scan; times in s since the start."""
    book = WaterBook(parse(rig_text(shape), file="rig.toml", find_kind=find_kind))
    found, position = Kept(), 0
    while scans := record.scans_after(position, limit=_AT_ONCE):
        position = scans[-1].id
        for scan in scans:
            readings = scan.readings
            told = book.take(
                (scan.utc_ms - START_MS) / 1000,
                tuple([each.probe for each in readings]),
                [nan if each.value is None else each.value for each in readings],
                [int(each.flag) for each in readings],
            )
            for each in told:
                if isinstance(each, WaterHour):
                    found.hours.append(each)
                else:
                    found.news.append(each)
    return found


def lost_before(world: World, number: int) -> float | None:
    """What evaporated and was taken up a day in the days before, L/d; None where some leaked."""
    true = summed(world.hours[number + 1 - 24 * BACK : number + 1])
    if true.leaked or true.spilled:
        return None
    return (true.surface + true.film + true.taken_up) / BACK


def rate_off(books: Kept, lost: float, number: int) -> float | None:
    """By how much what is said to be lost a day is off, %; None where nothing is said."""
    rate = rate_of_decline(litres(books.before((number + 1) * HOUR)))
    return None if rate is None else 100 * abs(rate.per_day / lost - 1)


def days_said(books: Kept, shape: Shape, number: int) -> Days | None:
    """How many days are said to be left at the end of an hour; None where nothing is said."""
    past = books.before((number + 1) * HOUR)
    rate = rate_of_decline(points := litres(past))
    if rate is None or rate.per_day <= 0:
        return None
    return forecast(
        past[-1].level,
        shape.pump_needs,
        shape.table,
        Draw(0.0, rate.per_day),
        rate_u=rate.uncertainty,
        daily=daily(points),
    )


def top_up_off(books: Kept, poured: Sequence[tuple[float, float, float]]) -> list[float]:
    """By how much the litres of top-ups are off, %; `poured` are begin, end and litres."""
    last = {each.begin: each for each in books.news if each.found is What.TOP_UP}
    off = []
    for begin, end, true in poured:
        told = [
            each.figures["litres"]
            for each in last.values()
            if each.begin <= end + 600 and (each.end or each.begin) >= begin - 600
        ]
        if told:
            off.append(100 * abs(sum(told) / true - 1))
    return off
