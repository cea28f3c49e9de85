"""Times in addresses: RFC 3339, or UTC as a form's fields have it."""

import re
from datetime import UTC, datetime

_FORM = re.compile(r"\d{4}-\d\d-\d\d(T\d\d:\d\d(:\d\d)?)?", re.ASCII)
_WHOLE = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:\d\d)(\.\d{1,9})?([Zz]|[+ -]\d\d:\d\d)", re.ASCII
)
_EXAMPLE = "2026-09-23T12:00:00Z"


def time_in(text: str) -> int:
    """The time an address names, UTC ms.

    Raises
    ------
    ValueError
        It is none; the message says what was expected.
    """
    found = _WHOLE.fullmatch(text)
    if found is None:
        raise ValueError(f"{text[:40]!r} is no time as RFC 3339 writes it, such as {_EXAMPLE}")
    day, clock, fraction, zone = found.groups()
    zone = "+00:00" if zone in "Zz" else zone.replace(" ", "+")  # a plus comes as a space
    try:
        at = datetime.fromisoformat(f"{day}T{clock}{zone}").timestamp()
    except (ValueError, OverflowError) as error:
        raise ValueError(f"{text[:40]!r} is no time there is: {error}") from error
    return round(at) * 1000 + int(float(fraction or 0) * 1000)


def time_of_form(text: str) -> int | None:
    """The same of a field of a form too, which has no zone and is UTC; None if it is no time."""
    if _FORM.fullmatch(text):
        try:
            return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 1000
        except ValueError:
            return None
    try:
        return time_in(text)
    except ValueError:
        return None
