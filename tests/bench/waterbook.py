"""What a record says of its water, and how far that is from the truth."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from faults.waterdriven import START_MS
from faults.waterworld.shape import Shape
from faults.waterworld.weather import DAY, HOUR
from faults.waterworld.world import World, summed
from longsoak.core.water.decline import daily, litres, rate_of_decline
from longsoak.core.water.forecast import Days, Draw, forecast
from longsoak.store.water import Happening, WaterRecord
from longsoak.vocabulary.water import Found as What
from longsoak.vocabulary.water import WaterHour

BACK = 14  # days that a rate and a forecast rest on
NEAR = 900.0  # s by which a pour may be said to have begun earlier, or ended later


@dataclass(frozen=True)
class Books:
    """All hours of the water of a record, and the top-ups found; times in s since the start."""

    hours: list[WaterHour]
    top_ups: list[Happening]

    def before(self, time: float) -> list[WaterHour]:
        """The hours that something said at `time` may rest on."""
        return [hour for hour in self.hours if time - BACK * DAY <= hour.at <= time]


def books_of(folder: Path) -> Books:
    """What the record in `folder` says of its water."""
    record = WaterRecord(folder)
    hours = record.hours(since_ms=START_MS, until_ms=2**52)
    return Books(
        [hour._replace(at=hour.at - START_MS / 1000) for hour in hours],
        record.happenings(What.TOP_UP),
    )


def lost_before(world: World, number: int) -> float | None:
    """What evaporated and was taken up a day in the days before, L/d; None where some leaked."""
    true = summed(world.hours[number + 1 - 24 * BACK : number + 1])
    if true.leaked or true.spilled:
        return None
    return (true.surface + true.film + true.taken_up) / BACK


def rate_off(books: Books, lost: float, number: int) -> float | None:
    """By how much what is said to be lost a day is off, %; None where nothing is said."""
    rate = rate_of_decline(litres(books.before((number + 1) * HOUR)))
    return None if rate is None else 100 * abs(rate.per_day / lost - 1)


def days_said(books: Books, shape: Shape, number: int) -> Days | None:
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
