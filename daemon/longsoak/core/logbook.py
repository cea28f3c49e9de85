"""What may stand in the logbook, judged alike where it is written and where it is kept. Pure."""

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping

from longsoak.core import (
    closing,
    handreadings,
    knownvalues,
    metercheck,
    newholes,
    observations,
    phases,
    samples,
    weighings,
    wettrades,
)
from longsoak.core.clockplace import EARLIEST_MS
from longsoak.core.handflags import wrong_content
from longsoak.core.handplaces import check_hole
from longsoak.core.water.entries import impossible_top_up, wrong_top_up, wrong_window
from longsoak.core.water.rounds import wrong_cup, wrong_round
from longsoak.core.wording import meant_words, time_words
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import (
    CLOSING,
    CUP,
    FLAG,
    HAND,
    KNOWN,
    METER_CHECK,
    NEW_HOLE,
    NOTE,
    OBSERVATION,
    PHASE,
    SAMPLE,
    SERVICE,
    THE_RIG,
    TOP_UP,
    WATER,
    WEIGHING,
    WET_TRADE,
    About,
    LogbookEntry,
    Subject,
)
from longsoak.vocabulary.rig import Rig

LONGEST_TEXT = 4000  # characters
MOST_PHOTOS = 8

# The kinds that this version keeps, all in the first form of their content, and what judges it.
_WRONG: Mapping[str, Callable[[LogbookEntry], str | None]] = {
    NOTE: lambda entry: _NO_MORE if entry.content else None,
    FLAG: wrong_content,
    KNOWN: knownvalues.wrong_content,
    TOP_UP: wrong_top_up,
    WATER: wrong_round,
    CUP: wrong_cup,
    SERVICE: wrong_window,
    HAND: handreadings.wrong_content,
    OBSERVATION: observations.wrong_content,
    PHASE: phases.wrong_content,
    WET_TRADE: wettrades.wrong_content,
    NEW_HOLE: newholes.wrong_content,
    CLOSING: closing.wrong_content,
    METER_CHECK: metercheck.wrong_content,
    SAMPLE: samples.wrong_content,
    WEIGHING: weighings.wrong_content,
}
_OF_THE_RIG = {
    TOP_UP: "A top-up",
    SERVICE: "A service window",
    WATER: "A water round",
    PHASE: "A phase",
    CLOSING: "The closing list",
    METER_CHECK: "A meter check",
    WEIGHING: "A weighing",
}
_NO_MORE = "a note has words and photos, and nothing beside them"
AHEAD_MS = 60_000  # a person's watch may be that much ahead of the machine's clock
_YEARS = 3  # before the record began: a specimen is made and dried long before it is measured
_YEAR_MS = 31_557_600_000
_DIGEST = re.compile(r"[0-9a-f]{64}")
_JOINERS = "\u200c\u200d"  # invisible, and part of how some scripts and signs are written


def text_of(words: str) -> str:
    """Words as they are kept: a line ends as on paper, with no space around the whole."""
    return re.sub(r"\r\n?", "\n", words).strip()


def check_entry(entry: LogbookEntry) -> None:
    """Refuse an entry that could not stand in any logbook.

    Raises
    ------
    RequestError
        What is wrong with it, in a sentence.
    """
    if entry.kind not in _WRONG or entry.schema != 1:
        raise _refusal(f"this version keeps no entry of the kind {entry.kind[:40]!r} in this form")
    if entry.kind in _OF_THE_RIG and entry.subject != THE_RIG:
        raise _refusal(f"{_OF_THE_RIG[entry.kind]} is about the rig, and no bay or probe")
    if wrong := _WRONG[entry.kind](entry):
        raise _refusal(wrong)
    if not entry.says:
        raise _refusal("Write what there is to say")
    if len(entry.says) > LONGEST_TEXT:
        raise _refusal(
            f"An entry has up to {LONGEST_TEXT} characters, this one {len(entry.says)}. "
            "Make two of it"
        )
    if odd := _unprintable(entry.says):
        raise _refusal(f"{odd}. Remove it")
    if entry.at_utc_ms > entry.asked_utc_ms + AHEAD_MS and entry.asked_utc_ms >= EARLIEST_MS:
        raise _refusal(
            f"{time_words(entry.at_utc_ms)} is yet to come: by this machine's clock it is "
            f"{time_words(entry.asked_utc_ms)}. Write the day beside the time, and both in UTC"
        )
    if len(entry.photos) > MOST_PHOTOS:
        raise _refusal(
            f"An entry has up to {MOST_PHOTOS} photos, this one {len(entry.photos)}. Make two of it"
        )
    if not all(map(_DIGEST.fullmatch, entry.photos)):
        raise _refusal("A photo is named by the SHA-256 of what is in it, 64 hexadecimal digits")


def check_against(entry: LogbookEntry, rig: Rig, *, began_ms: int | None, last: int) -> None:
    """Refuse an entry that has no place in this logbook.

    Parameters
    ----------
    entry : LogbookEntry
        One that `check_entry` passed.
    rig : Rig
        The rig as it is measured.
    began_ms : int, optional
        When the record began, UTC ms.
    last : int
        The newest entry's number; 0 if there is none.

    Raises
    ------
    RequestError
        What is wrong with it, in a sentence.
    """
    if entry.subject not in subjects(rig):
        raise _unknown(entry.subject.name, rig)
    if entry.kind == TOP_UP and (wrong := impossible_top_up(entry, rig)):
        raise _refusal(wrong)
    if entry.kind == HAND and (wrong := handreadings.outside(entry, rig)):
        raise _refusal(wrong)
    if entry.kind == SAMPLE and (wrong := samples.outside(entry, rig)):
        raise _refusal(wrong)
    if entry.kind == OBSERVATION and (wrong := observations.unfit(entry, rig)):
        raise _refusal(wrong)
    if entry.kind == PHASE and (wrong := phases.unknown_control(entry, rig)):
        raise _refusal(wrong)
    if entry.kind == NEW_HOLE and (wrong := newholes.no_hole(entry, rig)):
        raise _refusal(wrong)
    # A record that begins after now was begun by a clock that was wrong.
    began_ms = entry.asked_utc_ms if began_ms is None else min(began_ms, entry.asked_utc_ms)
    if entry.at_utc_ms < began_ms - _YEARS * _YEAR_MS:
        raise _refusal(
            f"{time_words(entry.at_utc_ms)} is more than {_YEARS} years before this record began, "
            f"{time_words(began_ms)}. Was the year mistyped? If not, leave the time out and write "
            "it into the text"
        )
    if entry.corrects is not None and not 1 <= entry.corrects <= last:
        there = f"the newest is {last}" if last else "none was written yet"
        raise _refusal(f"There is no entry {entry.corrects} to correct; {there}")


def check_among(entry: LogbookEntry, known: Callable[[], Iterable[LogbookEntry]]) -> None:
    """Refuse an entry that can't stand beside those there are: a hole or an identity used twice.

    Parameters
    ----------
    entry : LogbookEntry
        One that `check_entry` passed.
    known : callable
        Gives all there are, of any kind; called only where it matters.

    Raises
    ------
    RequestError
        What is wrong with it, in a sentence.
    """
    if entry.kind == HAND:
        check_hole(entry, known())
    elif entry.kind == SAMPLE:
        samples.check_identity(entry, known())


def subjects(rig: Rig) -> list[Subject]:
    """What an entry can be about: the rig, its bays, its probes."""
    return [
        THE_RIG,
        *(Subject(About.BAY, bay.name) for bay in rig.specimen.bays),
        *(Subject(About.PROBE, probe.name) for probe in rig.probes),
    ]


def subject_called(words: str, rig: Rig) -> Subject:
    """What is called by its name, or by "probe:" or "bay:" and its name.

    Raises
    ------
    RequestError
        Nothing is, or a bay and a probe both are.
    """
    known = subjects(rig)
    found = [subject for subject in known if words == subject.name]
    found = found or [subject for subject in known if words == str(subject)]
    if len(found) > 1:
        either = " or ".join(repr(str(subject)) for subject in found)
        raise _refusal(f"{words!r} can be either of two things on this rig. Write {either}")
    if not found:
        raise _unknown(words, rig)
    return found[0]


def bay_called(words: str, rig: Rig) -> Subject:
    """The bay called by its name, or by "bay:" and its name.

    Raises
    ------
    RequestError
        There is none.
    """
    bays = [bay.name for bay in rig.specimen.bays]
    for name in (words, words.removeprefix(f"{About.BAY}:")):
        if name in bays:
            return Subject(About.BAY, name)
    hint = meant_words(words, bays) or f"Its bays: {', '.join(map(repr, bays))}."
    raise RequestError(f"There is no bay {words[:60]!r} on this rig. {hint} Nothing was kept.")


def _unknown(words: str, rig: Rig) -> RequestError:
    names = (each.name for each in subjects(rig) if each.name != words)
    remedy = meant_words(words, names) or "Name one, or leave it out for the rig."
    return RequestError(
        f"There is no probe or bay {words[:60]!r} on this rig. {remedy} Nothing was kept."
    )


def _unprintable(says: str) -> str | None:
    """The first character that can't be shown, told by its line."""
    for number, line in enumerate(says.split("\n"), start=1):
        for letter in line:
            kind = unicodedata.category(letter)
            if (kind[0] == "C" and letter not in _JOINERS) or kind in ("Zl", "Zp"):
                return (
                    f"Line {number} holds the character U+{ord(letter):04X}, which can't be shown"
                )
    return None


def _refusal(says: str) -> RequestError:
    return RequestError(f"{says}. Nothing was kept.")
