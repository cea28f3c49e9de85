"""Plain words for counts, lengths of time and figures, as the sheets' sentences need them."""

from collections.abc import Callable
from datetime import UTC, datetime

from markupsafe import Markup, escape

from longsoak.core.wording import AHEAD_S, age_words, day_words, rfc3339, time_words

_AROUND = "\ue000"  # stands round a time in words; a character that no text of ours has

_SMALL = (
    *("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"),
    *("eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen"),
    *("nineteen", "twenty"),
)


def count_words(number: int) -> str:
    """A count as a person writes it in a sentence: "two", "twenty", "24"."""
    return _SMALL[number] if number < len(_SMALL) else str(number)


def counted(number: int, one: str, many: str) -> str:
    """A count with its noun: "one alarm", "two alarms"."""
    return f"{count_words(number)} {one if number == 1 else many}"


def capital(sentence: str) -> str:
    """`sentence` with its first letter raised; the rest is left as it is."""
    return sentence[:1].upper() + sentence[1:]


def span_words(seconds: float) -> str:
    """A length of time to two parts: "12 s", "3 min 12 s", "2 h 10 min", "4 days 3 h"."""
    whole = max(0, round(seconds))
    for size, unit, small, smaller in (
        (86_400, "day", 3600, "h"),
        (3600, "h", 60, "min"),
        (60, "min", 1, "s"),
    ):
        if whole >= size:
            first, rest = divmod(whole, size)
            plural = "s" if unit == "day" and first != 1 else ""
            second = f" {rest // small} {smaller}" if rest // small else ""
            return f"{first} {unit}{plural}{second}"
    return f"{whole} s"


def moment(utc_ms: int, *, now_ms: int) -> str:
    """A past time as short as it stays clear: "14:02", "23 Sep 14:02", "23 Sep 2025 14:02"."""
    when, now = (datetime.fromtimestamp(ms / 1000, UTC) for ms in (utc_ms, now_ms))
    if when.date() == now.date():
        return f"{when:%H:%M}"
    year = f" {when.year}" if when.year != now.year else ""
    return f"{when.day} {when:%b}{year} {when:%H:%M}"


ZONE = Markup("<span data-zone>UTC</span>")  # which a browser makes its reader's, as it does times


def when(utc_ms: int, *, now_ms: int) -> Markup:
    """`moment` with the time itself beside it, for a browser to show in its reader's time zone."""
    return _time(utc_ms, moment(utc_ms, now_ms=now_ms), "moment")


def day(utc_ms: int) -> Markup:
    """A day with its year, "22 Sep 2026", as `when` is a time."""
    return _time(utc_ms, day_words(utc_ms), "day")


def date(utc_ms: int) -> Markup:
    """A day without its year, "22 Sep", as `when` is a time."""
    return _time(utc_ms, date_words(utc_ms), "date")


def second(utc_ms: int) -> Markup:
    """A time to the second, "23 Sep 2026, 12:04:31", as `when` is a time."""
    return _time(utc_ms, time_words(utc_ms).removesuffix(" UTC"), "second")


def date_words(utc_ms: int) -> str:
    """A day without its year, in UTC: "11 Oct"."""
    at = datetime.fromtimestamp(utc_ms / 1000, UTC)
    return f"{at.day} {at:%b}"


def _time(utc_ms: int, words: str, form: str) -> Markup:
    """A time in UTC; `form` is how ``zones.js`` says it in another zone."""
    element = Markup('<time datetime="{}" data-form="{}">{}</time>')
    return element.format(rfc3339(utc_ms), form, words)


def timed(says: Callable[[Callable[[int], str]], str], *, now_ms: int) -> Markup:
    """A sentence of plain words in which times stand, each made into `when`.

    `says` is given what to call with a time, UTC ms, wherever the sentence is to have it.
    """
    words = says(lambda utc_ms: f"{_AROUND}{utc_ms}{_AROUND}")
    parts = words.split(_AROUND)  # words, time, words, time, ..., words
    return Markup("").join(
        when(int(part), now_ms=now_ms) if place % 2 else part for place, part in enumerate(parts)
    )


def aged(seconds: float) -> Markup:
    """An age in words that an open page counts on with, by its own clock: see ``ages.js``."""
    words, begin = age_words(seconds), counts_from(seconds)
    if begin is None:
        return escape(words)
    return Markup('<span data-age="{}">{}</span>').format(begin, words)


def counts_from(seconds: float) -> str | None:
    """From how many s on an open page counts an age; None where it is one ahead of the clock."""
    return None if seconds < -AHEAD_S else f"{max(0.0, seconds):.0f}"


def ago(seconds: float) -> Markup:
    """How long ago, for a sentence, as `aged` is an age."""
    return Markup("{} {}").format(aged(seconds), "of the clock" if seconds < -AHEAD_S else "ago")
