"""A time in the past that a sheet is asked for: how it may be written, and what is said of it."""

import re
from datetime import UTC, datetime

from markupsafe import Markup

from longsoak.core.recency import stale_after_ms
from longsoak.vocabulary.rig import Rig
from longsoak.vocabulary.water import ContactWindow
from longsoak_dashboards.source import NotYet
from longsoak_dashboards.view.sentences import ZONE, span_words, when

_EXAMPLE = "at=2026-05-12T14:10:00Z"
_LONGEST = 40


def asked_time(written: str, *, now_ms: int) -> int | None:
    """The time an address asks for, UTC ms; None is now.

    RFC 3339, with a space for its plus, as forms make of it, or without a zone, which is UTC then;
    or ms since 1970.

    Raises
    ------
    NotYet
        It is no time, or one that is still to come.
    """
    written = written.strip()
    if not written:
        return None
    utc_ms = _read(written[:_LONGEST])
    if utc_ms is None:
        raise NotYet(
            f"The address asks for the time {written[:_LONGEST]!r}, which is none.",
            f"Write a date and a time in UTC, such as {_EXAMPLE}, or ms since 1970.",
        )
    if utc_ms > now_ms:
        raise NotYet(
            f"The time {written[:_LONGEST]} is still to come.",
            "The section can be shown as it was at any time since the first reading.",
        )
    return utc_ms


def _read(written: str) -> int | None:
    if re.fullmatch(r"\d{9,15}", written):
        return int(written)
    try:
        found = datetime.fromisoformat(re.sub(r"(?<=T)(.+) (\d\d:\d\d)$", r"\1+\2", written))
    except ValueError:
        return None
    if found.tzinfo is None:
        found = found.replace(tzinfo=UTC)
    return round(found.timestamp() * 1000)


def as_it_was(
    rig: Rig,
    *,
    at_ms: int,
    now_ms: int,
    last_ms: int | None,
    windows: list[ContactWindow],
) -> list[Markup]:
    """What is said first of a section that is shown as it was at a time."""
    said = [
        Markup('<b class="past">As it was, {} {}.</b>').format(when(at_ms, now_ms=now_ms), ZONE)
    ]
    if last_ms is not None and at_ms - last_ms > stale_after_ms(rig):
        said.append(
            Markup(
                '<b class="look">Nothing was being read then:</b> the last scan is {} older.'
            ).format(span_words((at_ms - last_ms) / 1000))
        )
    said += [
        Markup('<b class="look">Contact {}:</b> water was at the specimen.').format(window.number)
        for window in windows
        if window.from_ms <= at_ms and (window.until_ms is None or at_ms < window.until_ms)
    ]
    return said
