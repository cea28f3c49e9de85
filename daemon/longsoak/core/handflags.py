"""Flags set by hand: put into a logbook entry, taken out of it, and laid over readings. Pure.

What a check said of a reading stays in the record for ever. A flag set by hand stands in the
logbook and supersedes it wherever readings are shown; a newer one supersedes an older one, and one
that was corrected no longer counts.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.wording import rfc3339, time_words
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.health import Finding
from longsoak.vocabulary.logbook import FLAG, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Probe

BY_HAND = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT, Flag.FAIL)
_CLEARS = (Flag.PASS, Flag.NOT_EVALUATED)


def flag_content(flag: Flag, *, until_ms: int | None) -> dict[str, Json]:
    """What an entry of the kind "flag" holds beside its words; it speaks of the beginning."""
    return {"flag": int(flag), "until_ms": until_ms}


def flag_said(word: str, *, until_ms: int | None, now_ms: int) -> dict[str, Json]:
    """The content of a flag somebody names by its word: a pass without an end ends now.

    Raises
    ------
    RequestError
        No flag that is set by hand is called so.
    """
    found = next((flag for flag in BY_HAND if flag.word == word), None)
    if found is None:
        raise RequestError(f"{word[:20]!r} is no flag. Nothing was kept.")
    if found is Flag.PASS and until_ms is None:
        until_ms = now_ms
    return flag_content(found, until_ms=until_ms)


def wrong_content(entry: LogbookEntry) -> str | None:
    """What is wrong with the content of an entry of the kind "flag"; None if nothing is."""
    content = entry.content
    flag, until = content.get("flag"), content.get("until_ms")
    if content.keys() != {"flag", "until_ms"} or flag not in BY_HAND or isinstance(flag, bool):
        allowed = ", ".join(each.word for each in BY_HAND)
        return f"A flag set by hand is one of {allowed}, and has an end or none"
    if until is not None and (not isinstance(until, int) or isinstance(until, bool)):
        return "The end of a flag set by hand is a time, or left out"
    if until is not None and until <= entry.at_utc_ms:
        return (
            f"The flag ends {time_words(until)}, which is not after it begins, "
            f"{time_words(entry.at_utc_ms)}"
        )
    return None


def hand_flags(entries: Iterable[LogbookEntry]) -> list[HandFlag]:
    """The flags that count, the newest first; `entries` are all of the kind "flag"."""
    found = []
    for entry in entries:
        if entry.kind != FLAG or entry.corrected_by:
            continue
        until = entry.content["until_ms"]
        found.append(
            HandFlag(
                entry.number,
                entry.subject,
                speaks_of_ms(entry),
                until if isinstance(until, int) else None,
                Flag(int(str(entry.content["flag"]))),
                entry.by,
                entry.says,
                entry.kept_utc_ms + entry.clock_off_ms,
            )
        )
    return sorted(found, key=lambda flag: -flag.number)


def flag_picture(flag: HandFlag) -> dict[str, Json]:
    """A flag for programs: times in RFC 3339 UTC."""
    return {
        "number": flag.number,
        "about": flag.subject.about.value,
        "subject": flag.subject.name,
        "flag": flag.flag.word,
        "from": rfc3339(flag.from_ms),
        "until": None if flag.until_ms is None else rfc3339(flag.until_ms),
        "by": flag.by,
        "says": flag.says,
    }


def flags_of(flags: Sequence[HandFlag], probe: Probe) -> list[HandFlag]:
    """Those that are about a probe, its bay or the whole rig, the newest first."""
    about = [Subject(About.PROBE, probe.name)]
    if probe.bay is not None:
        about.append(Subject(About.BAY, probe.bay))
    return [f for f in flags if f.subject.about is About.RIG or f.subject in about]


def flag_at(flags: Sequence[HandFlag], utc_ms: int) -> HandFlag | None:
    """The one that counts at a time, of one probe's."""
    return next((flag for flag in flags if flag.covers(utc_ms)), None)


def shares(flags: Sequence[HandFlag], from_ms: int, until_ms: int) -> tuple[float, float]:
    """Which shares of a time one probe's flags say were a pass, and were anything else."""
    inside = {from_ms, until_ms}
    for flag in flags:
        inside |= {flag.from_ms, until_ms if flag.until_ms is None else flag.until_ms}
    cuts = sorted(cut for cut in inside if from_ms <= cut <= until_ms)
    passed = other = 0
    for begin, end in pairwise(cuts):
        found = flag_at(flags, begin)
        if found is not None:
            passed += (end - begin) * (found.flag is Flag.PASS)
            other += (end - begin) * (found.flag is not Flag.PASS)
    return passed / (until_ms - from_ms), other / (until_ms - from_ms)


def laid_over(
    readings: Mapping[str, Reading], flags: Sequence[HandFlag], probes: Sequence[Probe]
) -> dict[str, Reading]:
    """Readings by probe as flagged by hand; one that is missing stays so."""
    found = dict(readings)
    for probe in probes:
        if (reading := readings.get(probe.name)) is not None:
            found[probe.name] = as_flagged(reading, flags_of(flags, probe))
    return found


def as_flagged(reading: Reading, flags: Sequence[HandFlag]) -> Reading:
    """A reading as its probe's `flags` have it; one that is missing stays so."""
    by_hand = flag_at(flags, reading.utc_ms)
    if by_hand is None or reading.flag is Flag.MISSING:
        return reading
    if by_hand.reason is Reason.SET_ASIDE and reading.flag is Flag.FAIL:
        return reading  # what water spoiled is no better for it
    reason = reading.reason if by_hand.flag is Flag.PASS else by_hand.reason
    return replace(reading, flag=by_hand.flag, reason=reason, kept=reading.as_kept)


def not_judged(
    flags: Sequence[HandFlag], probes: Sequence[Probe]
) -> dict[str, tuple[tuple[int, int | None], ...]]:
    """By probe the times in which its readings are not to be judged.

    Somebody worked at the rig, or says that they fail, and no other is to be judged by them.
    """
    return {
        probe.name: tuple(
            (flag.from_ms, flag.until_ms)
            for flag in flags_of(flags, probe)
            if flag.flag in (Flag.NOT_EVALUATED, Flag.FAIL)
        )
        for probe in probes
    }


def settled_by(finding: Finding, flags: Sequence[HandFlag]) -> HandFlag | None:
    """The flag by which somebody set a finding aside, if any did; `flags` are of its probe.

    It has to cover the time since when the fault is there, as passed or as not to be judged, and
    whoever set it has to have known of the finding, or of the time in which that was made.
    """
    for flag in flags:
        end = flag.until_ms
        known = end is None or finding.found_ms < max(end, flag.kept_ms)
        if flag.covers(finding.since_ms) and known:
            return flag if flag.flag in _CLEARS else None
    return None
