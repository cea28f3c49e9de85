"""A hand meter's check on a test block: from a form into an entry of the logbook, and told."""

from collections.abc import Mapping, Sequence

from longsoak.core.handplaces import HandReading, rounds_of
from longsoak.core.handreadings import UNITS, shown_on
from longsoak.core.metercheck import MeterCheck, check_content, check_said, meters_words
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import METER_CHECK, LogbookEntry

OWN = ("nominal", "shown", "when")  # what no other form of the sheet has
CHECK_FIELDS = (*OWN, "round", "meter", "unit", "by", "once")


def check_entry_of(said: Mapping[str, str], *, written_ms: int, now_ms: int) -> LogbookEntry:
    """The entry that a form asks for.

    Parameters
    ----------
    said : mapping
        Its fields, of `CHECK_FIELDS`.
    written_ms, now_ms : int
        When it was filled in, and now, UTC ms.

    Raises
    ------
    RequestError
        Something is missing, or is nothing a meter shows.
    """
    for name, what in (("nominal", "the block should show"), ("shown", "the meter shows on it")):
        if not said[name]:
            raise RequestError(f"Write what {what}. Nothing was kept.")
    unit = said["unit"] or UNITS[0]
    content = check_content(
        round_name=said["round"],
        meter=said["meter"],
        when=said["when"],
        nominal=shown_on(said["nominal"], unit=unit),
        shown=shown_on(said["shown"], unit=unit),
    )
    return LogbookEntry(
        asked_utc_ms=now_ms,
        at_utc_ms=written_ms,
        by=said["by"],
        says=check_said(content),
        kind=METER_CHECK,
        content=content,
    )


def round_checks(
    known: Sequence[HandReading], checks: Sequence[MeterCheck], name: str
) -> tuple[str, ...]:
    """Whether the meters of a round were checked, in sentences, also before its first reading."""
    if own := rounds_of(known).get(name):
        return tuple(meters_words(own, checks))
    return tuple(
        f"{check.meter}: {check.words} {check.when} the round."
        for check in checks
        if check.round == name
    )
