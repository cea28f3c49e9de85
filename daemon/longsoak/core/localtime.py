"""Times of day and of the week where the rig stands. Pure; the zone is an argument."""

from datetime import datetime, timedelta, tzinfo

from longsoak.vocabulary.notices import Quiet, Weekly


def is_quiet(quiet: Quiet, *, zone: tzinfo, utc_ms: int) -> bool:
    """Whether a moment lies in quiet hours, their beginning included and their end not.

    They go by the clock on the wall, so a night in which it is set is an hour shorter or longer.
    """
    now = datetime.fromtimestamp(utc_ms / 1000, zone)
    minute = 60 * now.hour + now.minute
    if quiet.start < quiet.end:
        return quiet.start <= minute < quiet.end
    return minute >= quiet.start or minute < quiet.end


def last_of(weekly: Weekly, *, zone: tzinfo, utc_ms: int) -> int:
    """When a weekly moment was last, UTC ms; `utc_ms` itself counts.

    A time that the clock leaves out when summer time begins is the one an hour later; of a time
    that comes twice when it ends, the first counts.
    """
    now = datetime.fromtimestamp(utc_ms / 1000, zone)
    midnight = datetime(now.year, now.month, now.day, tzinfo=zone)
    back = (now.weekday() - weekly.weekday) % 7
    for days in (back, back + 7):
        # Added to the date, not to a moment: a day in between may have 23 or 25 hours.
        day = midnight - timedelta(days=days)
        at = day.replace(hour=weekly.minute // 60, minute=weekly.minute % 60)
        found = round(at.timestamp() * 1000)
        if found <= utc_ms:
            break
    return found
