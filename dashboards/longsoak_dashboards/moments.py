"""Times in addresses: RFC 3339, or UTC as a form's fields have it."""

import re
from datetime import UTC, datetime, timedelta

_FORM = re.compile(r"\d{4}-\d\d-\d\d(T\d\d:\d\d(:\d\d)?)?", re.ASCII)
_TIME = re.compile(r"(\d{4}-\d\d-\d\d)[Tt](\d\d:\d\d):(\d\d)(\.\d+)?([Zz]|[+-]\d\d:\d\d)", re.ASCII)
_BLANK = re.compile(r"(\d{4}-\d\d-\d\d) ", re.ASCII)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FIRST_MS, _LAST_MS = -62_135_596_800_000, 253_402_300_799_999  # of the years 1 to 9999


def time_ms(words: str) -> int | None:
    """A time of RFC 3339 as UTC ms; None where it is none.

    A leap second is the second after it. What an offset puts out of the years 1 to 9999 is the
    nearest end of these, for nothing is kept beyond.
    """
    found = _TIME.fullmatch(words)
    if found is None:
        return None
    day, minute, second, part, zone = found.groups(default="")
    leap = second == "60"
    try:
        at = datetime.fromisoformat(f"{day}T{minute}:{'59' if leap else second}{zone.upper()}")
        since = at - _EPOCH + timedelta(seconds=leap)
    except (ValueError, OverflowError):
        return None
    utc_ms = since // timedelta(milliseconds=1) + int(f"{part[1:4]:0<3}")
    return min(max(utc_ms, _FIRST_MS), _LAST_MS)


def time_of_form(text: str) -> int | None:
    """The same as a form's fields may have it: without a zone it is UTC, a plus may be a blank."""
    if _FORM.fullmatch(text):
        try:
            return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 1000
        except ValueError:
            return None
    return time_ms(_BLANK.sub(r"\1T", text).replace(" ", "+"))
