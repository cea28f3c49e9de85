"""What embedded probes read in the hour of something that was done by hand."""

from collections.abc import Sequence

from longsoak.core.handflags import as_flagged, flags_of
from longsoak.core.wording import flag_words
from longsoak.store.reader import Record
from longsoak.vocabulary.flags import AT_LEAST, AT_MOST, Flag
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Probe

HALF_MS = 1_800_000  # either side: together the hour


def flagged_readings(
    record: Record,
    probes: Sequence[Probe],
    over: Sequence[HandFlag],
    *,
    since_ms: int,
    until_ms: int,
) -> dict[str, list[Reading]]:
    """Readings of some probes by name, with what lies over them."""
    found: dict[str, list[Reading]] = {probe.name: [] for probe in probes}
    flags = {probe.name: flags_of(over, probe) for probe in probes}
    names = list(found)
    for some in record.readings(names, since_ms=since_ms, until_ms=until_ms) if names else ():
        for reading in some:
            found[reading.probe].append(as_flagged(reading, flags[reading.probe]))
    return found


def usable(around: Sequence[Reading]) -> tuple[list[Reading], str | None]:
    """What of an hour's readings can be used, and why none can be."""
    if not around:
        return [], "nothing was read within half an hour"
    passed = [each for each in around if each.flag is Flag.PASS and each.value is not None]
    if not passed:
        return [], f"what was read within half an hour is {_worst(around)}"
    bounds = [each for each in passed if each.reason in AT_LEAST | AT_MOST]
    if bounds:
        return [], f"{bounds[0].reason.words}: a bound, and no value"
    return passed, None


def _worst(around: Sequence[Reading]) -> str:
    """What an hour's readings without a value to use are, each word once."""
    return "; ".join(sorted({flag_words(each.flag, each.reason) for each in around}))


def around_of(readings: Sequence[Reading], at_ms: int) -> list[Reading]:
    """Those of the hour around a time, UTC ms."""
    return [each for each in readings if at_ms - HALF_MS <= each.utc_ms < at_ms + HALF_MS]
