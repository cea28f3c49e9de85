"""A time, or a length of time, as a person writes it. Pure."""

import re
from datetime import UTC, datetime

from longsoak.core.clockplace import EARLIEST_MS
from longsoak.vocabulary.errors import RequestError

# What `datetime.fromisoformat` takes beyond this, such as weeks and years alone, nobody means.
_MOMENT = re.compile(
    r"(?:(?P<day>\d{4}-\d\d-\d\d)[T ] ?)?(?P<time>\d?\d:\d\d(?::\d\d(?:\.\d{1,3})?)?)"
    r"(?: ?(?P<zone>Z|UTC|[+-]\d\d:\d\d))?",
    re.ASCII,
)
_SPAN = re.compile(r"(?P<number>\d{1,6}(?:\.\d{1,2})?) ?(?P<unit>[a-z]+)", re.ASCII)
_UNITS = {
    **dict.fromkeys(("s", "second", "seconds"), 1.0),
    **dict.fromkeys(("m", "min", "minute", "minutes"), 60.0),
    **dict.fromkeys(("h", "hour", "hours"), 3600.0),
    **dict.fromkeys(("d", "day", "days"), 86_400.0),
}
_DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)


def moment_of(words: str, *, now_ms: int, day_alone: bool = False) -> int:
    """The time somebody wrote, UTC ms since 1970.

    Parameters
    ----------
    words : str
        Day and time as in RFC 3339, where a space may stand for the "T" and the seconds may be
        left out; a time alone is of today. Without an offset it is UTC.
    now_ms : int
        What today is, UTC ms since 1970.
    day_alone : bool
        Whether a day alone will do, for its beginning.

    Raises
    ------
    RequestError
        It is none.

    Notes
    -----
    Source: RFC 3339, 5.6, for day, time and offset; from memory.
    """
    written = words.strip()
    if day_alone and _DAY.fullmatch(written):
        written += " 00:00"
    found = _MOMENT.fullmatch(written)
    if found is not None and found["day"] is None and now_ms < EARLIEST_MS:
        raise RequestError(
            f"This machine's clock is not set yet, so that it does not know what day it is. Write "
            f"the day too, as in 2026-05-04 {written[:40]}. Nothing was kept."
        )
    try:
        if found is None:
            raise ValueError
        day = found["day"] or f"{datetime.fromtimestamp(now_ms / 1000, UTC):%Y-%m-%d}"
        clock = found["time"] if found["time"][2:3] == ":" else f"0{found['time']}"
        whole, _, part = clock.partition(".")
        zone = found["zone"]
        offset = "+00:00" if zone in (None, "Z", "UTC") else zone
        seconds = datetime.fromisoformat(f"{day}T{whole}{offset}").timestamp()
    except (ValueError, OverflowError):
        day = "2026-05-04, " if day_alone else ""
        raise RequestError(
            f"{words[:40]!r} is no time, expected {day}2026-05-04 14:20 or, for today, 14:20; all "
            "in UTC, or with an offset as in 2026-05-04 14:20+02:00. Nothing was kept."
        ) from None
    return round(seconds) * 1000 + int(part.ljust(3, "0") if part else 0)


def span_of(words: str) -> float:
    """A length of time somebody wrote, s: a number and s, min, h or days.

    Raises
    ------
    RequestError
        It is none, or nothing.
    """
    found = _SPAN.fullmatch(words.strip())
    if found is None or found["unit"] not in _UNITS or float(found["number"]) == 0.0:
        raise RequestError(
            f"{words[:40]!r} is no length of time, expected a number and min, h or days, as in "
            "90min, 2h or 3days. Nothing was changed."
        )
    return float(found["number"]) * _UNITS[found["unit"]]
