"""A level that jumps again and again is told; one odd reading, a wave or the pump's film is not."""

from collections.abc import Iterator

from longsoak.core.water.book import WaterBook
from longsoak.vocabulary.water import Found, WaterNews
from waterrig import water_rig

MINUTE, HOUR, DAY = 60.0, 3600.0, 86_400.0
LAYOUT, PASS = ("water level", "flow"), (1, 1)


def told(levels: Iterator[tuple[float, float, float]]) -> tuple[list[WaterNews], WaterBook]:
    """What was found of jumps, from times in s, levels in mm and flows in L/min."""
    book = WaterBook(water_rig())
    found: list[WaterNews] = []
    for at, level, flow in levels:
        news = book.take(at, LAYOUT, (level, flow), PASS)
        found += [n for n in news if isinstance(n, WaterNews) and n.found is Found.JUMPS]
    return found, book


def falling(days: float, odd: dict[int, float]) -> Iterator[tuple[float, float, float]]:
    """A level that goes down by 1 mm a day; `odd` is what some minutes are off by, mm."""
    for minute in range(round(days * 1440)):
        yield minute * MINUTE, 90.0 - minute / 1440 + odd.get(minute, 0.0), 1.0


def test_what_jumps_all_day_is_told_from_its_first_jump_on_and_is_over_a_day_after_its_last() -> (
    None
):
    odd = {1000 + 40 * n: (-1) ** n * 20.0 for n in range(20)}
    (begun, over), book = told(falling(4, odd))
    assert begun.begin == over.begin == 1000 * MINUTE
    assert begun.end is None
    assert "8 readings lay more than 5 mm off" in begun.says
    assert over.end is not None
    assert DAY <= over.end - 1760 * MINUTE <= DAY + 2 * MINUTE
    assert book.alarms()["level jumps"] is None


def test_while_it_jumps_the_alarm_has_words_for_it() -> None:
    _, book = told(falling(1.5, {600 + 60 * n: 30.0 for n in range(12)}))
    assert "a motor's cable" in (book.alarms()["level jumps"] or "")


def test_a_few_in_a_day_are_none() -> None:
    assert told(falling(6, {300 + 220 * n: 40.0 for n in range(30)}))[0] == []


def test_waves_that_a_bucket_makes_are_none() -> None:
    odd = {1000 + n: (-1) ** n * 12.0 for n in range(40)}
    assert told(falling(3, odd))[0] == []


def test_a_level_that_leaps_and_stays_is_none() -> None:
    odd = {m: 30.0 for n in range(0, 60, 2) for m in range(500 + 60 * n, 560 + 60 * n)}
    assert told(falling(4, odd))[0] == []


def test_film_that_runs_back_between_two_looks_is_none() -> None:
    def on_a_timer() -> Iterator[tuple[float, float, float]]:
        for minute in range(2 * 1440):
            stands = minute % 30 == 0
            yield minute * MINUTE, 80.0 + (7.0 if stands else 0.0), 0.0 if stands else 1.0

    assert told(on_a_timer())[0] == []


def test_what_lies_on_either_side_of_a_gap_is_not_compared() -> None:
    book = WaterBook(water_rig())
    for n in range(40):
        for minute, level in enumerate((80.0, 80.0, 60.0)):
            news = book.take(n * HOUR + minute * MINUTE, LAYOUT, (level, 1.0), PASS)
            assert not any(isinstance(x, WaterNews) and x.found is Found.JUMPS for x in news)
