"""Plain words for counts, lengths of time and figures, as the sheets' sentences need them."""

from datetime import UTC, datetime

from markupsafe import Markup

from longsoak.core.wording import rfc3339

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


def when(utc_ms: int, *, now_ms: int) -> Markup:
    """`moment` with the time itself beside it, for a browser to show in its reader's time zone."""
    shown = moment(utc_ms, now_ms=now_ms)
    return Markup('<time datetime="{}">{}</time>').format(rfc3339(utc_ms), shown)
